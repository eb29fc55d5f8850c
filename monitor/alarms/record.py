"""What the site's own past says: faults that were settled here are likelier here than elsewhere."""

from collections.abc import Iterable, Mapping
from typing import Final

from monitor.alarms.faults import FAULTS
from monitor.alarms.settlement import Settlement

WEIGHT = 0.5
"""How much one settled case weighs beside the table's own rate (common practice, no source: a default)."""
MOST = 3.0

_SPEAK_FOR: Final[Mapping[Settlement, tuple[str, ...]]] = {
    Settlement.POWER: tuple(
        FAULTS[name].name
        for name in (
            "feeder-dead",
            "supply-lost",
            "solar-deficit",
            "battery-aged",
            "charging-stopped",
            "switch-hang",
        )
    ),
    Settlement.PATH: tuple(FAULTS[name].name for name in ("fibre-cut", "connector-loose")),
}
"""Settlement → the faults that it does not tell apart."""


def factors(settled: Iterable[Settlement]) -> dict[str, float]:
    """Fault → factor on its prior, from what alarms that have cleared turned out to be.

    Each case raises its faults by ``WEIGHT``, shared among those that it does not tell apart, up to ``MOST``.

    >>> factors([Settlement.PATH])["fibre-cut"]
    1.25
    """
    found: dict[str, float] = {}
    for one in settled:
        some = _SPEAK_FOR.get(one, ())
        for name in some:
            found[name] = min(MOST, found.get(name, 1.0) + WEIGHT / len(some))
    return found
