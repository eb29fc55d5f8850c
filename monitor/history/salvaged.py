"""Rows of a damaged history, taken over with their ids."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Table, func, select

from monitor.history import tables as t
from monitor.history.blocks import unpack
from monitor.history.engine import Kept, putting
from monitor.history.fitting import Names, fits
from monitor.history.fold import BLOCKS, FEATURES, chunks, mark_changed, put_day, put_rollups, rollup_of

SPARED = 1000
"""Ids that are not given again where a table of names could not be read whole."""


class Salvaged(Kept):
    """The part of the store that takes over what could be read of another."""

    def put_back(self, table: Table, rows: Sequence[dict[str, Any]]) -> int:
        """Take rows over; those that are there already stay as they are, but days are merged.

        How many cannot be right and were left out.
        """

        def act(connection: Connection) -> int:
            names = Names.of(connection)
            right = [row for row in rows if fits(table, row, names)]
            new = _new_blocks(connection, right) if table is t.day_block else right
            if new:
                connection.execute(putting(connection, table).on_conflict_do_nothing(), new)
            if table in (t.day_block, t.rollup_day):
                days = [row["id"] >> 24 if table is t.day_block else row["day"] for row in new]
                mark_changed(connection, BLOCKS, days)
            if table is t.feature_day:
                mark_changed(connection, FEATURES, [row["day"] for row in new])
            return len(rows) - len(right)

        if not rows:
            return 0
        left_out = self._act(act)
        self.forget_ids()
        return left_out

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
    """The blocks that are new; those of days that are there already are merged into them."""
    there: dict[int, bytes] = {}
    for some in chunks([row["id"] for row in rows]):
        query = select(t.day_block.c.id, t.day_block.c.blob).where(t.day_block.c.id.in_(some))
        there |= {row.id: row.blob for row in connection.execute(query)}
    new, rollups = [], []
    for row in rows:
        if there.get(row["id"]) == row["blob"]:
            continue
        day, number = unpack(row["blob"]), row["id"] & 0xFFFFFF
        if row["id"] not in there:
            new.append(row)
            # Daily figures have no checksum; made from the block anew, they are right whatever became of the old ones.
            rollups.append({"day": row["id"] >> 24, "series": number, **rollup_of(day)})
            continue
        resolution = connection.execute(select(t.series.c.resolution).where(t.series.c.id == number)).scalar_one()
        put_day(connection, row["id"] >> 24, number, day, resolution)
    put_rollups(connection, rollups)
    return new
