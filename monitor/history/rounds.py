"""Rounds: one row a device and round, kept in batches; a second that is taken already never costs a reading."""

import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, bindparam, delete, func, insert, select, text

from monitor.facts.quantities import QUANTITIES
from monitor.facts.readings import Layout, Round, Slot
from monitor.history import tables as t
from monitor.history.blocks import Day
from monitor.history.codec import pack, unpack
from monitor.history.columns import Columns
from monitor.history.engine import Kept, putting
from monitor.history.fold import day_of
from monitor.history.reader import Places, number_of, read, readings

_MOST_SHIFTED_S = 86_400
_THERE = select(t.round_row.c.blob).where(t.round_row.c.id == bindparam("key"))
_PUT = insert(t.round_row)


class Rounds(Kept):
    """The part of the store that keeps readings as they come."""

    def __init__(self, where: Path | str, read_only: bool = False, quota_octets: int | None = None) -> None:
        self.forget_ids()
        super().__init__(where, read_only, quota_octets)

    def forget_ids(self) -> None:
        """Slots, series and layouts are read again when they are next needed."""
        self._slots: dict[tuple[str, str], int] = {}
        self._series: dict[Slot, int] = {}
        self._highest = 0
        self._layouts: dict[int, tuple[Layout, int, int]] = {}
        self._last_id: int | None = None
        self._places = Places()

    def keep(self, rounds: Sequence[Round]) -> None:
        """Keep rounds in one transaction.

        The same round twice is kept once. Another round of the same device, tier and second, as after a clock
        that was set back, takes the next free second: nothing that was read is lost.
        """
        if rounds:
            self._act(lambda connection: self._keep(connection, rounds))

    def _keep(self, connection: Connection, rounds: Sequence[Round]) -> None:
        rows = []
        for one in rounds:
            slot, layout_id = self._layout(connection, one.layout, one.at_s)
            rows.append({"id": int(one.at_s) << 16 | slot, "blob": pack(layout_id, one)})
        self._put(connection, rows)

    def _put(self, connection: Connection, rows: list[dict[str, Any]]) -> None:
        if self._last_id is None:
            self._last_id = connection.execute(select(func.max(t.round_row.c.id))).scalar() or 0
        newer: dict[int, bytes] = {}
        others = []
        for row in rows:
            if row["id"] > self._last_id and row["id"] not in newer:
                newer[row["id"]] = row["blob"]
            else:
                others.append(row)
        if newer:
            # Nearly every round comes by here: the compiled text saves a tenth of its time.
            mark = "?" if connection.dialect.name == "sqlite" else "%s"
            connection.exec_driver_sql(f"INSERT INTO round_row (id, blob) VALUES ({mark}, {mark})", list(newer.items()))
        placed = {_put_where_free(connection, row) for row in others}
        late = [{"id": key} for key in placed if key <= self._last_id]
        if late:
            connection.execute(putting(connection, t.late_row).on_conflict_do_nothing(), late)
        self._last_id = max(self._last_id, *newer, *placed)

    def _layout(self, connection: Connection, layout: Layout, at_s: float) -> tuple[int, int]:
        """Ids of the slot and the layout."""
        known = self._layouts.get(id(layout))
        if known is not None and known[0] is layout:
            return known[1], known[2]
        slot = self._slot(connection, layout.device, layout.tier)
        ids = struct.pack(f"<{len(layout.slots)}I", *self._series_ids(connection, layout.slots))
        found = connection.execute(
            select(t.layout.c.id).where(t.layout.c.slot == slot, t.layout.c.series_ids == ids)
        ).scalar()
        if found is None:
            row = {"slot": slot, "valid_from_s": at_s, "series_ids": ids}
            found = connection.execute(insert(t.layout).values(row).returning(t.layout.c.id)).scalar_one()
        self._layouts[id(layout)] = (layout, slot, found)
        return slot, int(found)

    def _slot(self, connection: Connection, device: str, tier: str) -> int:
        if (device, tier) not in self._slots:
            row = {"device": device, "tier": tier}
            connection.execute(putting(connection, t.device_slot).values(row).on_conflict_do_nothing())
            where = (t.device_slot.c.device == device, t.device_slot.c.tier == tier)
            self._slots[device, tier] = connection.execute(select(t.device_slot.c.id).where(*where)).scalar_one()
        return self._slots[device, tier]

    def _series_ids(self, connection: Connection, slots: Sequence[Slot]) -> list[int]:
        """Ids of series; those that are new are entered, all at once."""
        if any(slot not in self._series for slot in slots):
            self._read_series(connection)
            new = [slot for slot in slots if slot not in self._series]
            if new:
                rows = [
                    {
                        "resource": slot.resource,
                        "quantity": slot.quantity,
                        "unit": QUANTITIES[slot.quantity].unit,
                        "resolution": QUANTITIES[slot.quantity].resolution,
                    }
                    for slot in new
                ]
                connection.execute(putting(connection, t.series).on_conflict_do_nothing(), rows)
                self._highest = 0  # where several share a database, another may have entered it under a lower id
                self._read_series(connection)
        return [self._series[slot] for slot in slots]

    def _read_series(self, connection: Connection) -> None:
        query = select(t.series.c.id, t.series.c.resource, t.series.c.quantity).where(t.series.c.id > self._highest)
        for number, resource, quantity in connection.execute(query.order_by(t.series.c.id)):
            self._series[Slot(resource, quantity)] = self._highest = number

    # ---- rounds of a time that nobody trusts

    def keep_untimed(self, rounds: Sequence[Round], boot: str, ago_s: float) -> None:
        """Keep rounds whose wall time is not trusted: by the machine's monotonic clock.

        ``ago_s`` is wall time minus monotonic time as it is now, wrong as it may be.
        """

        def act(connection: Connection) -> None:
            rows = []
            for one in rounds:
                slot, layout_id = self._layout(connection, one.layout, one.at_s)
                at_s = one.at_s - ago_s
                rows.append({"boot": boot, "monotonic_s": at_s, "slot": slot, "blob": pack(layout_id, one)})
            connection.execute(insert(t.untimed_row), rows)

        if rounds:
            self._act(act)

    def give_time(self, boot: str, ago_s: float) -> int:
        """The clock is trusted now: rounds of this boot get the time that they truly had; how many those were."""

        def act(connection: Connection) -> int:
            u = t.untimed_row.c
            found = connection.execute(select(u.id, u.monotonic_s, u.slot, u.blob).where(u.boot == boot)).all()
            rows = [{"id": int(row.monotonic_s + ago_s) << 16 | row.slot, "blob": row.blob} for row in found]
            if rows:
                self._put(connection, rows)
                connection.execute(delete(t.untimed_row).where(u.boot == boot))
            return len(rows)

        return self._act(act)

    def untimed(self) -> int:
        """How many rounds have no time, and never will where their boot is over."""
        return self._look(lambda c: int(c.execute(select(func.count()).select_from(t.untimed_row)).scalar_one()))

    # ---- reading

    def newest(self, since_s: float) -> list[Round]:
        """The newest round of every device and tier since a time: what memory is seeded from at start."""
        return self._look(lambda connection: self._newest(connection, since_s))

    def _newest(self, connection: Connection, since_s: float) -> list[Round]:
        newest = []
        # A device's rows lie among those of all others, so the search is bounded by time, not by device.
        query = text(
            "SELECT id, blob FROM round_row WHERE (id & 65535) = :slot AND id >= :since ORDER BY id DESC LIMIT 1"
        )
        for slot, device, tier in connection.execute(select(t.device_slot)).all():
            row = connection.execute(query, {"slot": slot, "since": int(since_s) << 16}).first()
            if row is not None:
                newest.append(_round(connection, device, tier, row[0], row[1]))
        return newest

    def series(self, slot: Slot, from_s: float, to_s: float, points: int) -> Columns:
        """One series between two times (UTC seconds) in at most ``points`` stretches."""
        return self.many([slot], from_s, to_s, points)[slot]

    def many(self, slots: Sequence[Slot], from_s: float, to_s: float, points: int) -> dict[Slot, Columns]:
        """Several series at once, as they stood at one moment."""
        return self._look(lambda connection: read(connection, self._places, slots, from_s, to_s, points))

    def readings(self, slot: Slot, from_s: float, to_s: float) -> Day:
        """Every single reading of a series between two times; none where there is no such series."""

        def look(connection: Connection) -> Day:
            number = number_of(connection, slot)
            return readings(connection, self._places, -1 if number is None else number, from_s, to_s)

        return self._look(look)

    def first_day(self, offset_s: int) -> int | None:
        """The site day of the first reading of all of which anything is left; None where there is none."""

        def look(connection: Connection) -> int | None:
            row = connection.execute(select(func.min(t.round_row.c.id))).scalar()
            day = connection.execute(select(func.min(t.rollup_day.c.day))).scalar()
            days = [] if row is None else [day_of(row >> 16, offset_s)]
            return min(days if day is None else [*days, int(day)], default=None)

        return self._look(look)

    def known(self) -> list[Slot]:
        """Every series that the history has, by resource and quantity."""
        query = select(t.series.c.resource, t.series.c.quantity).order_by(t.series.c.resource, t.series.c.quantity)
        found = self._look(lambda connection: [Slot(*row) for row in connection.execute(query)])
        return [slot for slot in found if slot.quantity in QUANTITIES]


def _put_where_free(connection: Connection, row: dict[str, Any]) -> int:
    """Keep a row at its second, or at the next free one; where it now stands."""
    key, blob = row["id"], row["blob"]
    for _ in range(_MOST_SHIFTED_S):
        there = connection.execute(_THERE, {"key": key}).scalar()
        if there is None:
            connection.execute(_PUT, {"id": key, "blob": blob})
            return int(key)
        if there == blob:
            return int(key)
        key += 1 << 16
    return int(key)


def _round(connection: Connection, device: str, tier: str, row_id: int, blob: bytes) -> Round:
    layout_id, values, states = unpack(blob)
    ids = connection.execute(select(t.layout.c.series_ids).where(t.layout.c.id == layout_id)).scalar_one()
    numbers = struct.unpack(f"<{len(ids) // 4}I", ids)
    found = connection.execute(select(t.series).where(t.series.c.id.in_(set(numbers))))
    names = {row.id: Slot(row.resource, row.quantity) for row in found}
    return Round(Layout(device, tier, tuple(names[i] for i in numbers)), float(row_id >> 16), values, states)
