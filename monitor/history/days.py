"""Days: what the store does with a day that is over, and what it gives up when its room runs out."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
from sqlalchemy import Connection, delete, func, select, text

from monitor.facts.quantities import QUANTITIES
from monitor.facts.readings import Slot
from monitor.history import tables as t
from monitor.history.blocks import Day
from monitor.history.engine import PAGE_OCTETS, Kept, putting
from monitor.history.fold import DAY_S, chunks, fold, put_day, unfolded

COUNTERS = "octets"
"""Quantities whose raw readings go first: they are most of the bytes, and their days stay as rollups."""
ANSWERS = "uptime_seconds"
"""Readings of which goes last: it says minute by minute whether a switch answered, which no daily figure can."""
KEEP_RAW_DAYS = 62
"""Two months of raw readings stay whatever comes: the review and the baselines are made of them."""
FULL, EASED = 0.92, 0.88
"""Shares of the quota at which thinning starts, and at which it has done enough."""


class Days(Kept):
    """The part of the store that folds and thins."""

    _given_up_before: Mapping[str, int] = MappingProxyType({})
    """Kind of reading → the day before which none is left."""

    def standard_offset(self, offset_s: int) -> int:
        """The site's fixed offset from UTC by which its days are counted [s]: the first one given stays for ever."""
        return int(self.setting("standard_offset_s", str(offset_s)))

    def to_fold(self, before_day: int, offset_s: int) -> list[tuple[int, int]]:
        """(device slot, day) pairs that wait to be folded."""
        return self._look(lambda connection: unfolded(connection, before_day, offset_s))

    def fold(self, slot: int, day: int, offset_s: int) -> int:
        """Fold one device slot's rows of one day in one transaction; how many rows that were."""
        return self.fold_some([slot], day, offset_s)

    def fold_some(self, slots: Sequence[int], day: int, offset_s: int) -> int:
        """Fold several device slots of one day in one transaction; how many rows that were.

        Rows of all devices lie side by side in the order of time: what is taken from a page for several of them at
        once is written once.
        """
        return self._act(lambda connection: sum(fold(connection, slot, day, offset_s) for slot in slots))

    def take_in(self, series: Mapping[Slot, Day], offset_s: int) -> int:
        """Merge readings from elsewhere into the days that they belong to; how many days of a series those were."""

        def act(connection: Connection) -> int:
            return sum(_take_in(connection, slot, whole, offset_s) for slot, whole in series.items())

        return self._act(act)

    # ---- room

    def room(self) -> tuple[int, int | None]:
        """Octets in use, and the quota (None where there is none, or the database keeps its own)."""
        return self._look(self._room)

    def _room(self, connection: Connection) -> tuple[int, int | None]:
        if connection.dialect.name != "sqlite":
            used = connection.execute(text("SELECT pg_database_size(current_database())")).scalar_one()
            return int(used), None
        pages, free = (connection.exec_driver_sql(f"PRAGMA {p}").scalar_one() for p in ("page_count", "freelist_count"))
        quota = self._quota_pages * PAGE_OCTETS if self._quota_pages else None
        return (pages - free) * PAGE_OCTETS, quota

    def thin(self, today: int) -> tuple[int, int]:
        """One step of making room: the raw readings of one day; (that day, how many blocks), or (−1, 0).

        The oldest day goes first; octet counters before all else, and what says whether a switch answered after it.
        Rollups, features, alarms, baselines and repairs are never given up.
        """
        return self._act(lambda connection: self._thin(connection, today))

    def _thin(self, connection: Connection, today: int) -> tuple[int, int]:
        used, quota = self._room(connection)
        if quota is None or used < EASED * quota:
            return -1, 0
        until = today - KEEP_RAW_DAYS << 24
        quantities = connection.execute(select(t.series.c.id, t.series.c.quantity)).all()
        counters = {number for number, quantity in quantities if quantity.endswith(COUNTERS)}
        others = {number for number, quantity in quantities if quantity != ANSWERS}
        for kind, only in (("counters", counters), ("others", others), ("all", None)):
            day, blocks = _oldest(connection, until, only, self._given_up_before.get(kind, 0))
            if only is not None:
                gone_before = {kind: day if blocks else until >> 24}
                self._given_up_before = {**self._given_up_before, **gone_before}
            if blocks:
                for some in chunks(blocks):
                    connection.execute(delete(t.day_block).where(t.day_block.c.id.in_(some)))
                return day, len(blocks)
        return -1, 0

    def full(self) -> bool:
        """Is it time to thin?"""
        used, quota = self.room()
        return quota is not None and used > FULL * quota


def _take_in(connection: Connection, slot: Slot, whole: Day, offset_s: int) -> int:
    quantity = QUANTITIES[slot.quantity]
    row = {"resource": slot.resource, "quantity": slot.quantity}
    named = row | {"unit": quantity.unit, "resolution": quantity.resolution}
    connection.execute(putting(connection, t.series).values(named).on_conflict_do_nothing())
    where = (t.series.c.resource == slot.resource, t.series.c.quantity == slot.quantity)
    number = connection.execute(select(t.series.c.id).where(*where)).scalar_one()
    days = np.floor_divide(whole.times_s + offset_s, DAY_S).astype(np.int64)
    found = np.unique(days)
    for day in found.tolist():
        own = days == day
        part = Day(whole.times_s[own], whole.values[own], whole.states[own])
        put_day(connection, day, number, part, quantity.resolution)
    return len(found)


def _oldest(connection: Connection, until: int, only: set[int] | None, from_day: int) -> tuple[int, list[int]]:
    """The oldest day that has blocks (of these series, or of any), and the keys of those."""
    key = t.day_block.c.id
    first = from_day << 24
    while True:
        found: int | None = connection.execute(select(func.min(key)).where(key >= first, key < until)).scalar()
        if found is None:
            return -1, []
        first = found >> 24 << 24
        keys = connection.execute(select(key).where(key >= first, key < min(first + (1 << 24), until))).scalars()
        wanted = [one for one in keys if only is None or one & 0xFFFFFF in only]
        if wanted:
            return first >> 24, wanted
        first += 1 << 24
