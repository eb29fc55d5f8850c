"""What a load does at its port: what it draws, whether it answers, what the port counts, and how that breaks."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from random import Random

from monitor.facts.states import PethPsePortDetectionStatus as Poe
from monitor.plan.parts import Load

REBOOTS_EVERY_S = 120.0
START_S, START_SHARE = 20.0, 1.25
"""A device that starts draws more (common practice, no source)."""


@dataclass(frozen=True)
class Weather:
    """What of the weather matters at a pole now."""

    dark: bool
    air_c: float
    wet: float = 0.0
    wind_m_per_s: float = 0.0
    frost: float = 0.0
    sun_share: float = 0.0
    """Of full sun, on whatever stands in it."""


@dataclass
class Port:
    """A switch port: its link and power now, and what it has counted since its switch started."""

    link: bool = False
    megabits_per_s: int = 100
    half_duplex: bool = False
    watts: float = 0.0
    poe_state: Poe = Poe.SEARCHING
    counts: dict[str, float] = field(default_factory=dict)
    off: bool = False
    """Switched off by whoever may."""

    def count(self, name: str, more: float) -> None:
        """Count on."""
        self.counts[name] = self.counts.get(name, 0.0) + more


@dataclass
class Device:
    """A load and how it is."""

    load: Load
    victim: bool
    """The one that the faults of a pole's first camera mean."""
    last: bool
    """The one that is refused power first."""
    place_in_row: int
    started_s: float
    wants_watts: float = 0.0
    answers: bool = False
    """A TCP connection is taken."""
    sends: bool = False
    """Its stream, or whatever it sends, comes."""
    clock_wrong_s: float = 0.0


def draw(device: Device, weather: Weather, acting: Mapping[str, float], now_s: float, chance: Random) -> float:
    """What a device would draw [W] if its port gave it."""
    load = device.load
    watts = load.night_watts if weather.dark and load.night_watts is not None else load.watts
    if load.kind == "camera" and weather.air_c < 3:
        watts += 6 * acting.get("winter-load", 0.0)
    if now_s - device.started_s < START_S:
        watts *= START_SHARE
    if device.victim and "camera-reboots" in acting and now_s % REBOOTS_EVERY_S < 30:
        watts = 1.8
    if device.victim and "camera-frozen" in acting:
        watts *= 0.97
    return watts * chance.gauss(1.0, 0.01) * (1 + 0.001 * load.cable_m)


def power(port: Port, device: Device, weather: Weather, acting: Mapping[str, float], elapsed_s: float) -> None:
    """Give power at the port or not, as a switch with RFC 3621 counters does."""
    state, minutes = Poe.DELIVERING_POWER, elapsed_s / 60
    wet = acting.get("wet-gland", 0.0) * weather.wet if device.victim else 0.0
    lightning = "lightning" in acting
    if (device.victim and "port-short" in acting) or (lightning and device.place_in_row % 3 == 1):
        state = Poe.FAULT
        port.count("short", max(1.0, 2 * minutes))
    elif device.victim and weather.dark and ("port-overload" in acting or "class-mismatch" in acting):
        state = Poe.FAULT
        port.count("overload", max(1.0, minutes))
    elif device.last and "poe-denied" in acting:
        state = Poe.SEARCHING
        port.count("denied", max(1.0, minutes))
    elif device.victim and "mps-absent" in acting:
        state = Poe.SEARCHING
        port.count("mps", max(1.0, minutes / 5))
    elif wet > 0.7:
        state = Poe.SEARCHING
        port.count("invalid", max(1.0, minutes))
        port.count("mps", 1.0)
    elif lightning:
        state = Poe.SEARCHING
    if port.off:
        state = Poe.DISABLED
    port.poe_state = state
    port.watts = device.wants_watts if state == Poe.DELIVERING_POWER else 0.0


def work(
    port: Port,
    device: Device,
    weather: Weather,
    acting: Mapping[str, float],
    now_s: float,
    elapsed_s: float,
    boot_s: float,
    chance: Random,
) -> None:
    """What the device does over its link with the power that it has."""
    load, victim = device.load, device.victim
    wet = acting.get("wet-gland", 0.0) * weather.wet if victim else 0.0
    booted = now_s - device.started_s >= boot_s and not (
        victim and "camera-reboots" in acting and now_s % REBOOTS_EVERY_S < min(boot_s, 60.0)
    )
    port.link = port.watts > 0 and booted
    slow = victim and ("copper-drop" in acting or wet > 0.3)
    port.megabits_per_s = 10 if slow else 100
    port.half_duplex = victim and "duplex-mismatch" in acting
    hung = victim and "camera-hung" in acting
    device.answers = port.link and not hung and not (victim and "address-clash" in acting)
    device.sends = port.link and not hung and not (victim and "camera-frozen" in acting)
    device.clock_wrong_s = 3600 * acting.get("camera-clock", 0.0) if victim else 0.0
    if not port.link:
        return
    octets = rate(load, chance) * (1.0 if device.sends else 0.01) * elapsed_s
    if slow:
        octets = min(octets, 1.1e6 * elapsed_s)
    port.count("in_octets", octets)
    port.count("out_octets", 0.04 * octets)
    port.count("broadcast", 0.2 * elapsed_s)
    frames = octets / 900
    if slow or wet:
        port.count("fcs", frames * 0.004 * max(wet, acting.get("copper-drop", 0.0) if victim else 0.0))
    if port.half_duplex:
        port.count("late", frames * 0.002)
        port.count("fcs", frames * 0.001)


def rate(load: Load, chance: Random) -> float:
    """Octets per second that a load sends."""
    kilobits = load.stream.kilobits_per_s if load.stream else 900 if load.kind == "access-point" else 12
    return kilobits * 125 * chance.uniform(0.85, 1.1)
