"""Which alarms of a past month took a pole away, since when, and by what: told by their facts, not by their words."""

from collections.abc import Sequence
from typing import Final, Literal

from monitor.alarms.kpi import Happened
from monitor.alarms.settlement import Settlement
from monitor.history.records import PastChange

SILENT: Final = ("pole-silent", "supply-lost", "head-end-silent")
"""Alarm types that take poles away."""


def out_since_s(pole: str, changes: Sequence[PastChange]) -> float | None:
    """Since when a pole is not seen by an alarm of its own, or one that names it as impacted; None: it is seen."""
    return next((c.at_s for c in changes if pole == c.key.resource or pole in c.impacted), None)


def taken_by(one: Happened, changes: Sequence[PastChange]) -> Literal["power", "path", "unknown"]:
    """What took a pole away."""
    settlement = next((c.settlement for c in changes if c.what == "cleared"), Settlement.UNTOLD)
    if one.key.type in ("supply-lost", "head-end-silent") or settlement is Settlement.POWER:
        return "power"
    return "path" if settlement is Settlement.PATH else "unknown"
