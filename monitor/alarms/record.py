"""What the site's own past says: faults that were settled here are likelier here than elsewhere."""

from collections.abc import Iterable
from typing import Final

from monitor.alarms.faults import FAULTS

WEIGHT = 0.5
"""How much one settled case weighs beside the table's own rate (common practice, no source: a default)."""
MOST = 3.0

_POWER: Final = ("feeder-dead", "supply-lost", "solar-deficit", "battery-aged", "charging-stopped", "switch-hang")
_PATH: Final = ("fibre-cut", "connector-loose")


def factors(settled: Iterable[tuple[str, str]]) -> dict[str, float]:
    """Fault → factor on its prior, from (resource, settlement line) of alarms that have cleared.

    A line names a fault in square brackets, or tells power from path; each case raises its faults by ``WEIGHT``,
    shared among those that the line does not tell apart, up to ``MOST``.

    >>> factors([("creek", "it was the path: the switch ran on all the time")])["fibre-cut"]
    1.25
    """
    found: dict[str, float] = {}
    for _, line in settled:
        named = [name for name in FAULTS if f"[{name}]" in line]
        some = named or (
            _POWER if line.startswith("it was power") else _PATH if line.startswith("it was the path") else ()
        )
        for name in some:
            found[name] = min(MOST, found.get(name, 1.0) + WEIGHT / len(some))
    return found
