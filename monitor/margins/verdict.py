"""The judgement of one series, whole: baseline, drift, slope with its uncertainty, forecast, or why none of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.facts.readings import Slot
from monitor.margins.drift import CannotSay, Drift, Judged, TooYoung
from monitor.margins.features import Features
from monitor.margins.forecast import Forecast, months_to_limit
from monitor.margins.kinds import Watched, judged_as
from monitor.margins.trend import Slope, slope

SLOPE_DAYS = 90


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is judged of one series. Where nothing can be said, ``reason`` says why and the rest is empty."""

    slot: Slot
    pole: str
    day: int
    limit_in_unit: float | None
    judged: Judged | None
    slope: Slope | None
    """Of the last 90 days, in the series' unit a month."""
    forecast: Forecast | None
    reason: str
    whence: str = ""
    """Of light: where it was lost, by direction and colour; empty where that was not looked at."""
    too_young: bool = False
    """Nothing can be said yet, and time alone mends that."""

    @property
    def drift(self) -> Drift | None:
        """The drift that was detected since the baseline, if any."""
        return self.judged.drift if self.judged is not None else None

    @property
    def used_percent(self) -> float | None:
        """Share of the margin that the last week has used."""
        return None if self.judged is None else 100 * self.judged.used_lately

    @property
    def used_up(self) -> bool:
        """Has the last week used all of the margin?"""
        return self.judged is not None and self.judged.used_lately >= 1.0


def verdict_of(slot: Slot, watched: Watched, features: Features, resets: Sequence[int]) -> Verdict:
    """Judge one series by its daily features; ``resets`` are days on which something was repaired or changed there."""
    kind, day = watched.kind, int(features.days[-1]) if len(features) else 0
    try:
        judged, limit = judged_as(kind, features, watched.limit, resets)
    except CannotSay as why:
        young = isinstance(why, TooYoung)
        return Verdict(slot, watched.pole, day, watched.limit, None, None, None, why.reason, too_young=young)
    recent = judged.days > judged.days[-1] - SLOPE_DAYS
    trend = slope(judged.days[recent].astype(np.float64), judged.compared[recent])
    found = months_to_limit(judged, block_days=kind.block_days, prior=kind.prior)
    if isinstance(found, Forecast):
        return Verdict(slot, watched.pole, day, limit, judged, trend, found, "")
    return Verdict(slot, watched.pole, day, limit, judged, trend, None, found)


@dataclass(frozen=True, slots=True)
class Next:
    """A pole in the order in which it should be visited, and what speaks for it."""

    pole: str
    risk: float
    """Chance that a margin is used up within half a year, times what is lost with the pole (its loads and those
    behind it)."""
    slots: tuple[Slot, ...]


SOON_MONTHS = 6.0
UNSEEN = 0.02
"""Chance that a drift of which no date can be said ends within half a year; of the tuning campaigns."""


def ranked(verdicts: Mapping[Slot, Verdict], cost: Mapping[str, float]) -> list[Next]:
    """Poles by the cost of failure to be expected within half a year, highest first; only those with a drift.

    ``cost`` is what is lost with a pole, in loads.
    """
    found: dict[str, list[tuple[float, Slot]]] = {}
    for slot, verdict in verdicts.items():
        chance = soon(verdict)
        if chance > 0:
            found.setdefault(verdict.pole, []).append((chance, slot))
    order = [
        Next(
            pole,
            cost.get(pole, 1.0) * (1 - float(np.prod([1 - chance for chance, _ in some]))),
            tuple(slot for _, slot in sorted(some, key=lambda pair: -pair[0])),
        )
        for pole, some in found.items()
    ]
    return sorted(order, key=lambda one: -one.risk)


def soon(verdict: Verdict) -> float:
    """Chance that this margin is used up within half a year, from the quantiles of its forecast."""
    if verdict.drift is None:
        return 0.0
    if verdict.forecast is None:
        return 1.0 if verdict.used_up else UNSEEN
    known = verdict.forecast
    points = ((0.0, 0.0), (known.p10_months, 0.1), (known.p50_months, 0.5), (known.p90_months, 0.9))
    return float(np.interp(SOON_MONTHS, [at for at, _ in points], [p for _, p in points]))
