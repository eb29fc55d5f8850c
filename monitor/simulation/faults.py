"""Named faults of the simulated site: what breaks, where, since when, until when."""

from dataclasses import dataclass
from typing import Final

FAULTS: Final = {
    "feeder-open": "the feeder's breaker opens: no current, the pole and all behind it go dark",
    "feeder-short": "a short at the pole end that the protection does not cut: current high and steady",
    "fibre-cut": "the fibre is cut; the pole keeps its power",
    "cable-cut": "the whole composite cable is cut: fibre and copper in one moment",
    "supply-lost": "the supply at the head-end fails: all its poles go at once (name any pole of it)",
    "agent-deaf": "the switch's agent stops answering; the switch goes on forwarding",
    "camera-hung": "the pole's first camera answers no connection; its power stays",
    "dirty-connector": "a connector costs 9 dB from one moment to the next",
    "corroded-joint": "a joint of the feeder rises to 3 Ω",
    "switch-restart": "the pole's switch restarts",
}


@dataclass(frozen=True)
class Fault:
    """One fault at one pole between two times (UTC seconds)."""

    name: str
    pole: str
    start_s: float
    end_s: float = float("inf")

    def __post_init__(self) -> None:
        if self.name not in FAULTS:
            raise ValueError(f"{self.name!r} is no known fault; known are {', '.join(FAULTS)}")

    def acts(self, at_s: float) -> bool:
        """Is it there at this time?"""
        return self.start_s <= at_s < self.end_s
