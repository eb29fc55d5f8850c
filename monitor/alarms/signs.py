"""The signs that a diagnosis goes by: each is true, false or not known, and most come from several instruments.

``leak`` is how often a sign is seen though no fault of the table makes it. All leaks: common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from monitor.facts.words import say

Signs = Mapping[str, bool | None]
"""Sign → seen, not seen, or not known."""


@dataclass(frozen=True, slots=True)
class Sign:
    """One sign: what it means where it is seen, and where it is known not to be."""

    name: str
    seen: str
    unseen: str
    leak: float = 0.02

    def __post_init__(self) -> None:
        object.__setattr__(self, "seen", say(self.seen))
        object.__setattr__(self, "unseen", say(self.unseen))


_ALL: Final = (
    # the pole as a whole, and how wide the trouble is
    Sign("pole_silent", "nothing on the pole answers", "the pole answers", 0.01),
    Sign("siblings_lost", "all poles of its supply went in one round", "other poles of its supply answer", 0.01),
    Sign("all_lost", "the head-end switch is silent as well", "the head-end switch answers", 0.005),
    Sign("several_ports", "several ports were struck within seconds", "one port only, or none", 0.01),
    Sign("one_port", "one port only is in trouble", "more than one port is in trouble", 0.05),
    # the way of light
    Sign("link_down", "the link towards it is down", "the link towards it is up", 0.01),
    Sign("light_near_fell", "less light arrives from it", "its light arrives as ever", 0.02),
    Sign("light_far_fell", "less light arrives at it", "the light arrives there as ever", 0.02),
    Sign("light_unequal", "one wavelength lost more than the other", "both wavelengths lost alike", 0.04),
    Sign("light_comes_and_goes", "the light comes and goes", "the light is steady", 0.01),
    Sign("tx_fell", "its laser gives less light", "its laser gives its light", 0.01),
    Sign("bias_rose", "its laser's bias creeps up", "its laser's bias is as ever", 0.02),
    Sign("optic_hot", "its optic is hot", "its optic is not hot", 0.03),
    Sign("frame_errors", "frames arrive broken on the uplink", "no frame arrives broken on the uplink", 0.03),
    # the switch
    Sign("agent_silent", "the switch's agent is silent", "the switch's agent answers", 0.02),
    Sign("agent_slow", "the switch's agent answers slowly", "the switch's agent answers at once", 0.04),
    Sign("restarted", "the switch's uptime began anew", "the switch ran on all the time", 0.02),
    Sign("gasped", "the switch's last word was that its power was going", "the switch gave no last word", 0.03),
    Sign("renumbered", "the switch's ports have new numbers", "the switch's ports have their numbers", 0.005),
    # power on the feeder
    Sign("current_gone", "the feeder no longer carries its current", "the feeder still carries its current", 0.01),
    Sign("current_high", "the feeder's current is high and steady", "the feeder's current is not high", 0.01),
    Sign("breaker_open", "the feeder's protection is open", "the feeder's protection is closed", 0.004),
    Sign("volts_low", "the volts at the pole were low", "the volts at the pole were good", 0.03),
    Sign("volts_follow_load", "the volts fall with the load of the night", "the volts do not follow the load", 0.04),
    Sign("loop_rose", "the feeder's resistance has risen", "the feeder's resistance is as ever", 0.02),
    Sign("supply_wrong", "the supply's volts are low, high or noisy", "the supply's volts are right", 0.02),
    # PoE
    Sign("port_dead", "the port gives no power", "the port gives power", 0.03),
    Sign("port_fault", "the port reports a PoE fault", "the port reports no PoE fault", 0.01),
    Sign("overloads", "overloads are counted", "no overload is counted", 0.01),
    Sign("shorts", "shorts are counted", "no short is counted", 0.005),
    Sign("denials", "power was denied for want of budget", "no power was denied", 0.005),
    Sign("mps_lost", "ports were cut for want of the device's signature", "no port was cut for that", 0.015),
    Sign("watts_saw_tooth", "the port's watts rise and fall again and again", "the port's watts are steady", 0.015),
    Sign("class_changed", "the device asks for another class", "the device asks for its class", 0.01),
    # behind the port
    Sign("port_link_lost", "the port has no link", "the port has link", 0.04),
    Sign("port_slow", "the port has fallen to a lower speed", "the port runs at its speed", 0.02),
    Sign("port_errors", "frames arrive broken at the port", "no frame arrives broken at the port", 0.03),
    Sign("late_collisions", "late collisions are counted", "no late collision is counted", 0.004),
    Sign("ping_lost", "it does not answer ping", "it answers ping", 0.03),
    Sign("stream_lost", "its stream cannot be had", "its stream can be had", 0.03),
    Sign("few_octets", "next to nothing comes from it", "it sends as ever", 0.03),
    Sign("picture_still", "its picture stands still", "its picture moves", 0.02),
    Sign("clock_off", "its clock is wrong", "its clock is right", 0.02),
    Sign("address_moved", "its hardware address is elsewhere", "its hardware address is in its place", 0.01),
    Sign("stranger", "a hardware address is there that is not in the plan", "no unknown device is there", 0.01),
    # the network
    Sign("discards", "frames are thrown away for want of room", "no frame is thrown away", 0.03),
    Sign("uplink_full", "the uplink is nearly full", "the uplink has room", 0.02),
    Sign("broadcast", "broadcast comes in on many ports", "there is no flood of broadcast", 0.005),
    Sign("tree_changes", "the spanning tree changes", "the spanning tree is at rest", 0.02),
    Sign("sign_of_life_lost", "the sign of life does not get out, or the disk or clock fails", "farpole is well", 0.02),
    # panel and battery
    Sign("battery_was_low", "its battery was nearly empty", "its battery was well charged", 0.03),
    Sign("never_full", "its battery has not been full for days", "its battery is full by day", 0.04),
    Sign("sags_at_night", "its battery is full early and sags fast", "its battery holds through the night", 0.03),
    Sign("holds_less", "its battery holds less than it did", "its battery holds what it did", 0.02),
    Sign("no_charge_in_sun", "the sun shines and nothing charges", "it charges in the sun", 0.02),
    # the shape in time
    Sign("gradual", "it came over weeks", "it came from one moment to the next", 0.05),
    Sign("with_wet", "it comes with rain or frost", "it does not follow the weather", 0.05),
    Sign("at_night", "it comes by night and goes by day", "it does not follow the night", 0.05),
    Sign("since_visit", "it is so since somebody was there", "nobody was there", 0.03),
)

SIGNS: Final[dict[str, Sign]] = {sign.name: sign for sign in _ALL}
"""Sign → what is known of it."""


def named(*names: str) -> frozenset[str]:
    """Signs as those of an alarm; raises KeyError for one that is not in the table."""
    return frozenset(SIGNS[name].name for name in names)


CONTEXTS: Final = ("dusk", "cold", "hot", "wet", "storm", "visit", "solar", "radio")
"""What makes some faults likelier than others before anything is seen."""


def spoken(signs: Signs, names: tuple[str, ...] = tuple(SIGNS)) -> tuple[str, ...]:
    """What is known, as people read it: what is seen first, then what is known not to be."""
    seen = [SIGNS[name].seen for name in names if signs.get(name) is True]
    return (*seen, *(SIGNS[name].unseen for name in names if signs.get(name) is False))
