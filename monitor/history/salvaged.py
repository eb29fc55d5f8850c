"""Rows of a damaged history, taken over with their ids."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Table, func, select

from monitor.history import tables as t
from monitor.history.blocks import Damaged, unpack
from monitor.history.engine import Kept, putting
from monitor.history.fold import BLOCKS, FEATURES, chunks, mark_changed, put_day

SPARED = 1000
"""Ids that are not given again where a table of names could not be read whole."""


class Salvaged(Kept):
    """The part of the store that takes over what could be read of another."""

    def put_back(self, table: Table, rows: Sequence[dict[str, Any]]) -> None:
        """Take rows over; those that are there already stay as they are, but days are merged."""

        def act(connection: Connection) -> None:
            new = _new_blocks(connection, rows) if table is t.day_block else list(rows)
            if table is t.alarm_change:
                there = set(connection.execute(select(t.alarm.c.id)).scalars())
                new = [row for row in new if row["alarm"] in there]
            if new:
                connection.execute(putting(connection, table).on_conflict_do_nothing(), new)
            if table in (t.day_block, t.rollup_day):
                days = [row["id"] >> 24 if table is t.day_block else row["day"] for row in new]
                mark_changed(connection, BLOCKS, days)
            if table is t.feature_day:
                mark_changed(connection, FEATURES, [row["day"] for row in new])

        if rows:
            self._act(act)
            self.forget_ids()

    def spare_ids(self, table: Table) -> None:
        """An id whose row was lost must not be given to another series: rounds and days still carry it."""

        def act(connection: Connection) -> None:
            row = {"id": (connection.execute(select(func.max(table.c.id))).scalar() or 0) + SPARED}
            if table is t.series:
                row |= {"resource": "lost", "quantity": "lost", "unit": "", "resolution": 0.0}
            elif table is t.device_slot:
                row |= {"device": "lost", "tier": "lost"}
            else:
                slot = connection.execute(select(func.max(t.device_slot.c.id))).scalar()
                if slot is None:
                    return
                row |= {"slot": slot, "valid_from_s": 0.0, "series_ids": b""}
            connection.execute(putting(connection, table).values(row).on_conflict_do_nothing())

        if table in (t.series, t.device_slot, t.layout):
            self._act(act)


def _new_blocks(connection: Connection, rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The blocks that are whole and new; those of days that are there already are merged into them."""
    key = t.day_block.c.id
    there: set[int] = set()
    for some in chunks([row["id"] for row in rows]):
        there |= set(connection.execute(select(key).where(key.in_(some))).scalars())
    new = []
    for row in rows:
        try:
            day = unpack(row["blob"])
        except Damaged:
            continue  # its daily figures are in the rollups
        if row["id"] not in there:
            new.append(row)
            continue
        number = row["id"] & 0xFFFFFF
        resolution = connection.execute(select(t.series.c.resolution).where(t.series.c.id == number)).scalar()
        if resolution is not None:
            put_day(connection, row["id"] >> 24, number, day, resolution)
    return new
