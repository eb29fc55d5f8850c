"""Named faults of the simulated site: what breaks, where, since when, how hard, how steadily, until when."""

import random
from dataclasses import dataclass, replace
from typing import Final

_DAY_S = 86_400.0


@dataclass(frozen=True)
class Kind:
    """One way to break. ``ramp_s``: how long it takes to its full size; ``shares``: how often it is there at all."""

    words: str
    number: int
    """Of the table of faults that the diagnosis is specified by; 0 for those beside it."""
    ramp_s: float = 0.0
    period_s: float = 0.0
    share: float = 1.0


def _months(n: float) -> float:
    return n * 30 * _DAY_S


FAULTS: Final[dict[str, Kind]] = {
    "feeder-open": Kind("the feeder's breaker opens: no current, the pole and all behind it go dark", 1),
    "feeder-short": Kind("a short at the pole end that the protection does not cut: current high and steady", 0),
    "supply-lost": Kind("the supply at the head-end fails: all its poles go at once (name any pole of it)", 2),
    "head-end-off": Kind("the head-end switch has no power: nothing answers (name any pole)", 2),
    "fibre-cut": Kind("the fibre is cut; the pole keeps its power", 3),
    "connector-loose": Kind("a connector that is not home: the light comes and goes", 3, 0, 600, 0.4),
    "cable-cut": Kind("the whole composite cable is cut: fibre and copper in one moment", 3),
    "dirty-connector": Kind("a connector costs 9 dB from one moment to the next", 4),
    "connector-creep": Kind("a connector gets dirtier over months, up to 9 dB", 4, _months(8)),
    "fibre-bend": Kind("a bend in the fibre: both directions, more at the long wavelength", 5),
    "ice-bend": Kind("water freezes in a conduit and bends the fibre, below 0 °C only", 5),
    "corroded-joint": Kind("a joint of the feeder rises to 3 Ω, worse when wet or in wind", 6),
    "joint-creep": Kind("the same over half a year", 6, _months(6)),
    "winter-load": Kind("camera heaters of 6 W each below 3 °C, which nobody planned", 7),
    "wet-gland": Kind("water in the gland of the first camera: errors, slow link, lost power while it is wet", 8),
    "port-short": Kind("the first camera's cable is shorted: the port gives up and tries again", 9),
    "port-overload": Kind("the first camera draws more than its class allows in the dark", 9),
    "poe-denied": Kind("the ports ask for more than the switch may give: the last one is refused", 10),
    "camera-hung": Kind("the pole's first camera answers no connection; its power stays", 11),
    "camera-frozen": Kind("the first camera's stream stands still: it answers, and sends next to nothing", 11),
    "camera-reboots": Kind("the first camera starts again every two minutes", 12),
    "copper-drop": Kind("the first camera's cable carries 10 Mb/s only, with errors", 13),
    "lightning": Kind("lightning: one port dead, one shorted, one searching, within a second", 14),
    "panel-soiled": Kind("dust on the panel: it gives less and less", 15, _months(3)),
    "grey-weeks": Kind("thick cloud over the panel, day after day", 15),
    "battery-aged": Kind("the battery holds a quarter of what it did", 16, _months(10)),
    "charging-stopped": Kind("the panel's fuse has blown: sun, and no charge", 17),
    "charge-lock-out": Kind("the battery is too cold to be charged", 17),
    "optic-hot": Kind("the pole's optic runs hot in the afternoon, and its link drops then", 18),
    "laser-ageing": Kind("the pole's laser ages: bias creeps, then the light falls", 19, _months(14)),
    "wrong-optic": Kind("an optic of another kind is put in: 7 dB less light, from the first minute", 20),
    "uplink-full": Kind("the pole's uplink is full: discards, and slow answers", 21),
    "broadcast-storm": Kind("a loop at the pole: broadcast on every port, the uplink full", 22),
    "address-clash": Kind("the first camera has an address that is not its own: link and power, no answer", 23),
    "switch-restart": Kind("the pole's switch restarts", 24),
    "agent-deaf": Kind("the switch's agent stops answering; the switch goes on forwarding", 24),
    "agent-slow": Kind("the switch's agent answers after a second", 24),
    "ports-renumbered": Kind("the switch numbers its ports anew, as after an upgrade", 24),
    "camera-clock": Kind("the first camera's clock drifts away", 25, _months(2)),
    "ground-fault": Kind("current leaks to earth when it is wet", 26),
    "reverse-polarity": Kind("plus and minus are exchanged at the pole: it does not come up", 27),
    "supply-ageing": Kind("the supply's volts sag over months, at every pole", 28, _months(9)),
    "class-mismatch": Kind("the first camera asks for a lower class: off whenever its infrared comes on", 29),
    "mps-absent": Kind("the first camera sleeps and is switched off for it, again and again", 30, 0, 1800, 0.2),
    "duplex-mismatch": Kind("half duplex at the first camera's port: late collisions under load", 31),
    "strange-device": Kind("something that nobody planned is plugged in at the pole", 32),
    "spanning-tree-flap": Kind("the way home is blocked for some seconds, again and again", 33, 0, 120, 0.15),
    "internet-out": Kind("the farm's internet is away: messages cannot leave", 34),
}


@dataclass(frozen=True)
class Fault:
    """One fault at one pole between two times (UTC seconds)."""

    name: str
    pole: str
    start_s: float
    end_s: float = float("inf")
    severity: float = 1.0
    ramp_s: float | None = None
    """None: as the kind has it."""
    curve: float = 1.0
    """How it grows: 1 evenly, below it fast first, above it slowly first and then ever faster."""

    def __post_init__(self) -> None:
        if self.name not in FAULTS:
            raise ValueError(f"{self.name!r} is no known fault; known are {', '.join(FAULTS)}")

    def acts(self, at_s: float) -> bool:
        """Is it there at this time?"""
        return self.level(at_s) > 0

    def level(self, at_s: float) -> float:
        """How hard it acts: 0 not at all, 1 as its words say; severity scales it."""
        if not self.start_s <= at_s < self.end_s:
            return 0.0
        kind = FAULTS[self.name]
        if kind.period_s:
            turn = int((at_s - self.start_s) // kind.period_s)
            if turn and random.Random(f"{self.pole} {self.start_s} {turn}").random() > kind.share:  # physics
                return 0.0
        ramp_s = kind.ramp_s if self.ramp_s is None else self.ramp_s
        grown = min(1.0, (at_s - self.start_s) / ramp_s) if ramp_s else 1.0
        return max(float(grown**self.curve), 1e-9) * self.severity

    def repaired(self, at_s: float) -> "Fault":
        """The same fault, which somebody has put an end to."""
        return replace(self, end_s=min(self.end_s, at_s))


@dataclass(frozen=True)
class Visit:
    """Somebody was at a pole: what he repaired, what he broke, and what he wrote down."""

    at_s: float
    pole: str
    words: str
    repairs: tuple[str, ...] = ()
    breaks: tuple[str, ...] = ()
    new_optic: bool = False

    def applied(self, faults: list[Fault]) -> list[Fault]:
        """The faults as they are after the visit."""
        after = [f.repaired(self.at_s) if f.pole == self.pole and f.name in self.repairs else f for f in faults]
        return after + [Fault(name, self.pole, self.at_s) for name in self.breaks]
