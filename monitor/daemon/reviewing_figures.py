"""Figures of a month against the design: the lowest, the highest, the limit that they came nearest to."""

from collections.abc import Callable, Iterable, Iterator

import numpy as np

from monitor.facts import resources
from monitor.facts.quantities import QUANTITIES, UNITS
from monitor.facts.readings import Slot
from monitor.history.columns import Columns
from monitor.margins.limits import Limit
from monitor.show.month import Figure

_FIGURES = (
    "input_volts",
    "poe_total_watts",
    "supply_volts",
    "feeder_amperes",
    "battery_percent",
    "clock_offset_seconds",
)


def figures_of(limits: Iterable[Limit], line_of: Callable[[Slot], Columns]) -> Iterator[Figure]:
    """A figure of each limit whose quantity was seen; ``line_of`` gives the month of a series in one stretch."""
    for limit in limits:
        if limit.slot.quantity not in _FIGURES:
            continue
        line = line_of(limit.slot)
        low, high = finite_or_none(line.lows[0]), finite_or_none(line.highs[0])
        if low is None:
            continue
        yield Figure(
            resources.place_of(limit.slot.resource),
            limit.slot.quantity.replace("_", " "),
            UNITS[QUANTITIES[limit.slot.quantity].unit],
            low,
            high,
            _nearest(limit, low, high),
            limit.source,
            _past(limit, low, high),
        )


def _nearest(limit: Limit, low: float, high: float | None) -> float | None:
    sides = [(low - limit.low, limit.low)] if limit.low is not None else []
    if limit.high is not None and high is not None:
        sides.append((limit.high - high, limit.high))
    return min(sides)[1] if sides else None


def _past(limit: Limit, low: float, high: float | None) -> bool:
    under = limit.low is not None and low < limit.low
    return under or (limit.high is not None and high is not None and high > limit.high)


def finite_or_none(value: float) -> float | None:
    """A value, or None where nothing was seen or no light arrived."""
    return float(value) if np.isfinite(value) else None
