"""The layers of a load, from its power to its picture: the first that is broken is what people are told."""

from dataclasses import dataclass

_SEARCHING, _DELIVERING, _FAULT, _OTHER_FAULT = 2, 3, 4, 6
_UP = 1
_IDLE_WATTS = 0.3
"""Below this a port feeds nothing that works (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Layers:
    """What is known of a load, lowest layer first. None: not known, so it says nothing."""

    poe_state: float | None = None
    watts: float | None = None
    link_state: float | None = None
    speed_megabits_per_s: float | None = None
    station: bool | None = None
    """Has the switch learnt an address behind the port?"""
    ping: bool | None = None
    tcp: bool | None = None


def first_broken(port: str, known: Layers) -> str:
    """The sentence for a load that does not answer: the lowest layer that is broken, and what that means.

    >>> first_broken("1", Layers(poe_state=2, watts=0.0))
    'its port 1 finds nothing to feed: cable, plug or the device itself'
    """
    if known.poe_state in (_FAULT, _OTHER_FAULT):
        return f"its port {port} reports a PoE fault: a short, water in the gland, or the device"
    if known.poe_state == _SEARCHING:
        return f"its port {port} finds nothing to feed: cable, plug or the device itself"
    if known.poe_state not in (None, _DELIVERING):
        return f"its port {port} gives no power: it is switched off at the switch"
    if known.watts is not None and known.watts < _IDLE_WATTS and known.poe_state == _DELIVERING:
        return f"its port {port} is on and it draws {known.watts:.1f} W: the device does not start"
    fed = f" (it draws {known.watts:.1f} W)" if known.watts is not None else ""
    if known.link_state is not None and known.link_state != _UP:
        return f"it has power{fed} and no link on port {port}: a bad pair or plug, or it is restarting"
    if known.station is False:
        return f"it has power{fed} and link, and sends nothing: its software hangs"
    if known.ping is False and known.tcp is not True:
        if known.link_state == _UP:
            return f"it has power{fed} and link and does not answer: its software, or it has another address"
        return f"it does not answer; what its port {port} says is not known"
    if known.tcp is False and known.ping:
        return f"it answers ping{fed} and no connection: its service hangs; cycle the port once"
    if known.tcp is False and known.link_state == _UP:
        return f"it has power{fed} and link, and takes no connection: its service hangs; cycle the port once"
    return "it does not answer"


_STREAM = {
    2: "no connection to its stream's port",
    3: "its stream service does not answer",
    4: "it refuses our name or password",
    5: "the stream of the plan is not there",
    6: "the stream cannot be set up",
    7: "the stream does not play",
    8: "it plays and sends no picture",
}


def stream_words(state: float) -> str:
    """What a stream check has found, by the numbers of the quantity ``stream_state``."""
    return _STREAM.get(int(state), "alive")
