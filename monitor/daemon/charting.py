"""What a chart is made of: the history's line, the limits, the baseline and forecast of the last night, the repairs."""

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Protocol, TypeVar

import numpy as np

from monitor.budgets.bandwidth import LIMIT_SHARE
from monitor.daemon.memory import Memory
from monitor.facts import resources
from monitor.facts.quantities import QUANTITIES, UNITS
from monitor.facts.readings import Slot
from monitor.facts.words import Said, say
from monitor.history.columns import Columns
from monitor.history.store import Store
from monitor.margins.rates import of_line
from monitor.show.chart import Chart, runs_of
from monitor.show.naming import resolution_words
from monitor.show.ports import UPLINK

T = TypeVar("T")
POINTS = 320
FAR_S = 60 * 86_400.0
"""From this span on a forecast has a place beside the readings."""


class Asked(Protocol):
    """Whoever answers questions about a history in a thread of its own."""

    async def ask(self, question: Callable[[Store], T]) -> T:
        """Ask the store; raises NotKept."""
        ...


class Charting:
    """Charts of one site."""

    def __init__(self, memory: Memory, keeper: Asked) -> None:
        self._memory, self._keeper = memory, keeper

    async def chart(self, slot: Slot, title: str, from_s: float, to_s: float) -> Chart:
        """One quantity between two times."""
        if slot.quantity == UPLINK:
            return await self._uplink(slot, title, from_s, to_s)
        found = await self._keeper.ask(lambda store: store.series(slot, from_s, to_s, POINTS))
        limit, verdict = self._memory.limits.get(slot), self._memory.verdicts.get(slot)
        limits: list[tuple[float, str]] = []
        if verdict is not None and verdict.limit_in_unit is not None:
            limits.append((verdict.limit_in_unit, say("limit")))
        if limit is not None:
            limits += [(v, say("limit")) for v in (limit.low, limit.high) if v is not None]
        far = to_s - from_s >= FAR_S and verdict is not None and verdict.forecast is not None
        known = verdict.forecast if verdict is not None and far else None
        return Chart(
            title,
            UNITS[QUANTITIES[slot.quantity].unit],
            found.seen_at_s.tolist(),
            found.lows.tolist(),
            found.means.tolist(),
            found.highs.tolist(),
            list({round(value, 6): (value, words) for value, words in limits}.values()),
            verdict.judged.baseline.value if verdict is not None and verdict.judged is not None else None,
            await self._repairs(slot, from_s, to_s),
            (known.p10_months, known.p50_months, known.p90_months) if known is not None else None,
            resolution_words(found.resolution_s, found.latest_resolution_s, found.lacking),
            (to_s - from_s) / POINTS,
        )

    async def _uplink(self, slot: Slot, title: str, from_s: float, to_s: float) -> Chart:
        """What comes in at the port towards a pole, against its uplink."""
        pole = resources.place_of(slot.resource)
        port = self._memory.topology.uplink.get(pole, "")
        budget = self._memory.budget.poles[pole].bandwidth
        wide, narrow = Slot(port, "in_octets"), Slot(port, "narrow_in_octets")
        found = await self._keeper.ask(lambda store: store.series(wide, from_s, to_s, POINTS))
        if not found.seen.any():
            found = await self._keeper.ask(lambda store: store.series(narrow, from_s, to_s, POINTS))
        times_s, shares = _shares(found, budget.uplink_megabits_per_s, (to_s - from_s) / POINTS)
        words: Said | str = resolution_words(found.resolution_s, found.latest_resolution_s, found.lacking)
        limits = [(100 * LIMIT_SHARE, say("limit"))]
        repairs = await self._repairs(slot, from_s, to_s)
        bare = Chart(title, "%", times_s, shares, shares, shares)
        return replace(bare, limits=limits, repairs=repairs, resolution=words, stretch_s=(to_s - from_s) / POINTS)

    async def _repairs(self, slot: Slot, from_s: float, to_s: float) -> list[tuple[float, str]]:
        place, known = resources.place_of(slot.resource), self._memory.verdicts.get(slot)
        mine = {place, slot.resource, known.pole if known is not None else place}
        repairs = await self._keeper.ask(lambda store: store.repairs(from_s))
        return [(one.at_s, f"{one.who}: {one.text}") for one in repairs if one.resource in mine and one.at_s <= to_s]


def _shares(found: Columns, full_megabits_per_s: float | None, stretch_s: float) -> tuple[list[float], list[float]]:
    """Shares of an uplink [%] between the readings of its counter, each at the middle of its two; none over a gap."""
    seen = np.isfinite(found.highs)
    times_s, counts = found.last_at_s[seen].tolist(), found.highs[seen].tolist()
    rows = [(at_s, count, count, count) for at_s, count in zip(times_s, counts, strict=True)]
    middles, shares = list[float](), list[float]()
    for run in runs_of(rows, stretch_s):
        run_s = [row[0] for row in run]
        rates = of_line(run_s, [row[2] for row in run])[1:]
        middles += [(before + after) / 2 for before, after in pairwise(run_s)]
        shares += [100 * rate / full_megabits_per_s if full_megabits_per_s else math.nan for rate in rates]
    return middles, shares
