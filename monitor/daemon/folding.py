"""Days that are over: folded into blocks and rollups, and the oldest readings given up when the room runs out."""

import logging
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from monitor.daemon.clock import Clock
from monitor.daemon.design import Design
from monitor.daemon.failing import NotDone
from monitor.daemon.keeper import Keeper
from monitor.daemon.months import standard_offset_s
from monitor.facts.readings import Slot
from monitor.facts.words import say
from monitor.history.fold import DAY_S, day_of
from monitor.history.store import NotKept, Store
from monitor.margins.features import Features, daily
from monitor.margins.kinds import TEMPERATURES, temperature_of

log = logging.getLogger(__name__)


AT_ONCE = 12
"""Device slots folded in one transaction: up to a second, in which rounds wait."""


class Folding:
    """Runs by the hour; each question to the store is short, so that rounds are kept in between."""

    def __init__(self, design: Design, keeper: Keeper, clock: Clock) -> None:
        self._design, self._keeper, self._clock = design, keeper, clock

    async def run(self) -> None:
        """Fold what is over, then make room; a history that cannot be written is tried again at the next hour.

        Raises NotDone.
        """
        now_s = self._clock.wall_s()
        standard_s = standard_offset_s(self._design.zone, now_s)
        try:
            offset_s = await self._keeper.ask(lambda store: store.standard_offset(standard_s))
            await self._fold(day_of(now_s, offset_s), offset_s)
            await self._features(offset_s)
            await self._make_room(day_of(now_s, offset_s))
        except NotKept as error:
            raise NotDone(say("days could not be folded: {why}", why=str(error))) from None

    async def _fold(self, today: int, offset_s: int) -> None:
        waiting = await self._keeper.ask(lambda store: store.to_fold(today, offset_s))
        rows = 0
        for day in sorted({day for _, day in waiting}):
            slots = [slot for slot, of in waiting if of == day]
            for i in range(0, len(slots), AT_ONCE):
                some = slots[i : i + AT_ONCE]
                rows += await self._keeper.ask(lambda store, some=some, day=day: store.fold_some(some, day, offset_s))  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name
        if rows:
            log.info("%d rounds of %d days were folded", rows, len({day for _, day in waiting}))

    async def _features(self, offset_s: int) -> None:
        """Features of every day that has none yet: always before its single readings may be given up."""
        while True:
            lacking = await self._keeper.ask(lambda store: store.lacking(tuple(TEMPERATURES), 100))
            if not lacking:
                return
            await self._keeper.ask(lambda store, lacking=lacking: _put_features(store, lacking, offset_s))  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name

    async def _make_room(self, today: int) -> None:
        if not await self._keeper.ask(lambda store: store.full()):
            return
        blocks, days = 0, set()
        while True:
            day, gone = await self._keeper.ask(lambda store: store.thin(today))
            if not gone:
                break
            blocks += gone
            days.add(day)
        if blocks:
            words = f"{blocks} days of single readings were given up, from {_date(min(days))} to {_date(max(days))}"
            log.warning("the history has reached its quota: %s; their daily figures stay", words)
            await self._keeper.ask(lambda store: store.note(self._clock.wall_s(), "thinned", "farpole", words))


def _put_features(store: Store, lacking: Sequence[tuple[int, Slot]], offset_s: int) -> None:
    store.put_features([(day, slot, _of(store, day, slot, offset_s)) for day, slot in lacking])


def _of(store: Store, day: int, slot: Slot, offset_s: int) -> Features | None:
    from_s = day * DAY_S - offset_s
    readings = store.readings(slot, from_s, from_s + DAY_S - 0.001)
    if not len(readings):
        return None
    temperatures = None
    beside = temperature_of(slot)
    if beside is not None:
        warmth = store.readings(beside, from_s, from_s + DAY_S - 0.001)
        if len(warmth):
            temperatures = np.interp(readings.times_s, warmth.times_s, warmth.values)
    return daily(readings.times_s, readings.values, temperatures, offset_s)


def _date(day: int) -> str:
    return datetime.fromtimestamp(day * 86_400, UTC).date().isoformat()
