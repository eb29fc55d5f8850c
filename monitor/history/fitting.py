"""Can a row of a damaged history be right? Types, times, words, names that it refers to, and what is packed in it.

What has a checksum of its own (rounds, blocks of days) is either right or left out. A text or a number without one
that was changed into another that could stand there as well cannot be told from a right one.
"""

import json
import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from sqlalchemy import Boolean, Column, Connection, Float, Integer, LargeBinary, Table, select

from monitor.alarms.states import Operator, Severity
from monitor.history import codec
from monitor.history import tables as t
from monitor.history.blocks import Damaged, unpack

_LAST_S = 4_102_444_800
"""1 January 2100."""
FIRST_DAY, LAST_DAY = 3_652, 36_525
"""Days since 1970 between which a history lies: 1980 to 2070."""
DAY_S = 86_400
_ENDLESS = ("until_s",)
_JSON = ("impacted", "cause", "said", "detail")
_WORDS: Mapping[tuple[str, str], frozenset[str]] = {
    ("alarm", "severity"): frozenset(one.value for one in Severity),
    ("alarm_change", "severity"): frozenset(one.value for one in Severity),
    ("alarm", "operator"): frozenset(one.value for one in Operator),
    ("outbox", "state"): frozenset({"waiting", "sent", "withdrawn"}),
}


@dataclass(frozen=True, slots=True)
class Names:
    """What rows refer to by number: device slots, series, and layout → (its slot, how many series)."""

    slots: frozenset[int]
    series: frozenset[int]
    layouts: Mapping[int, tuple[int, int]]
    alarms: frozenset[int]

    @classmethod
    def of(cls, connection: Connection) -> "Names":
        """All that a history has."""
        layouts = connection.execute(select(t.layout.c.id, t.layout.c.slot, t.layout.c.series_ids))
        slots, series, alarms = (
            frozenset(connection.execute(select(table.c.id)).scalars()) for table in (t.device_slot, t.series, t.alarm)
        )
        return cls(slots, series, {row.id: (row.slot, len(row.series_ids) // 4) for row in layouts}, alarms)


def fits(table: Table, row: Mapping[str, Any], names: Names) -> bool:
    """Can this row be right?"""
    return typed(table, row) and _related(table, row, names)


def typed(table: Table, row: Mapping[str, Any]) -> bool:
    """Has each value of a row the type, and the range, that its column has?"""
    return all(_value_fits(table, column, row[column.name]) for column in table.columns if column.name in row)


def _value_fits(table: Table, column: Column[Any], value: object) -> bool:
    if value is None:
        return bool(column.nullable)
    if isinstance(column.type, Boolean):
        return value in (0, 1)
    if isinstance(column.type, Integer):
        return isinstance(value, int)
    if isinstance(column.type, Float):
        return isinstance(value, int | float) and _number_fits(column.name, float(value))
    if isinstance(column.type, LargeBinary):
        return isinstance(value, bytes)
    words = _WORDS.get((table.name, column.name))
    return isinstance(value, str) and _text_fits(column.name, value) and (words is None or value in words)


def _number_fits(name: str, value: float) -> bool:
    if name.endswith("_s"):
        return 0 <= value <= _LAST_S or (name in _ENDLESS and value == math.inf)
    return math.isfinite(value)


def _text_fits(name: str, value: str) -> bool:
    if "\0" in value or any(0xD800 <= ord(one) <= 0xDFFF for one in value):
        return False
    if name in _JSON and value:
        try:
            json.loads(value)
        except ValueError:
            return False
    return True


def _related(table: Table, row: Mapping[str, Any], names: Names) -> bool:
    if table is t.round_row:
        return FIRST_DAY * DAY_S <= row["id"] >> 16 <= LAST_DAY * DAY_S and _round_fits(
            row["blob"], row["id"] & 0xFFFF, names
        )
    if table is t.untimed_row:
        return _round_fits(row["blob"], row["slot"], names)
    if table is t.day_block:
        return row["id"] & 0xFFFFFF in names.series and _block_fits(row["blob"], row["id"] >> 24)
    if table in (t.rollup_day, t.feature_day):
        return _day_fits(row["day"]) and row["series"] in names.series and _figures_fit(row)
    if table is t.layout:
        return row["slot"] in names.slots and _series_of(row["series_ids"]) <= names.series
    return table is not t.alarm_change or row["alarm"] in names.alarms


def _series_of(packed: bytes) -> frozenset[int]:
    """The series of a layout; one that cannot exist where the octets are no whole numbers."""
    return frozenset(struct.unpack(f"<{len(packed) // 4}I", packed)) if len(packed) % 4 == 0 else frozenset({-1})


def _day_fits(day: int) -> bool:
    return FIRST_DAY <= day <= LAST_DAY


def _round_fits(blob: bytes, slot: int, names: Names) -> bool:
    try:
        layout, values, _ = codec.unpack(blob)
    except ValueError:
        return False
    return slot in names.slots and names.layouts.get(layout) == (slot, len(values))


def _block_fits(blob: bytes, day: int) -> bool:
    try:
        times_s = unpack(blob).times_s
    except Damaged:
        return False
    # A site's day begins up to 14 hours before or after UTC's.
    earliest_s, latest_s = (day - 1) * DAY_S, (day + 2) * DAY_S
    return _day_fits(day) and (not len(times_s) or earliest_s <= times_s[0] <= times_s[-1] <= latest_s)


def _figures_fit(row: Mapping[str, Any]) -> bool:
    """Counts are no less than 0, and the figures of a day lie in their order."""
    if any(row[name] < 0 for name in ("n", "dark", "silent", "absent", "garbled", "version") if name in row):
        return False
    orders = (("lo", "mean", "hi"), ("lo", "last", "hi"), ("p5", "p95"))
    for names in orders:
        values = [row[name] for name in names if row.get(name) is not None]
        if any(low > high + 1e-9 * abs(high) for low, high in pairwise(values)):
            return False
    return True
