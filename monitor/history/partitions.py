"""Partitions of the centre's large tables: rounds by the day of UTC, what is kept of days by 32 of them.

Rounds go again once their day has come as blocks: a day's partition is dropped whole when it is empty. Blocks stay for
years: 32 days a partition are 60 of them in five years, where one a day would be 1,800 to plan every question over.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Engine, text

from monitor.history.fold import DAY_S
from monitor.history.outbound import DAYS, FEATURE_DAYS, ROUNDS

GROUP_DAYS = 32
_FIRST_DAY, _LAST_DAY = 3_652, 36_525
"""1980 to 2070: what a clock gone wrong says lies in the partition for everything else."""
_KEEP_EMPTY_DAYS = 3
_LOCK = 0x6661_7270
"""Of PostgreSQL's advisory locks the one under which partitions are made."""

Wanted = tuple[str, int]


def needed(kind: str, head: Mapping[str, Any], blobs: Sequence[tuple[int, bytes]]) -> set[Wanted]:
    """(table, day or group) of the partitions into which a parcel goes."""
    if kind == ROUNDS:
        return {("round_row", day) for day in {(number >> 16) // DAY_S for number, _ in blobs} if _sane(day)}
    if kind in (DAYS, FEATURE_DAYS):
        day = int(head["day"])
        tables = ("day_block", "rollup_day") if kind == DAYS else ("feature_day",)
        return {(table, day // GROUP_DAYS) for table in tables if _sane(day)}
    return set()


def _sane(day: int) -> bool:
    return _FIRST_DAY <= day <= _LAST_DAY


class Partitions:
    """Makes partitions before they are needed; knows which there are."""

    def __init__(self) -> None:
        self._there: set[Wanted] = set()

    def ensure(self, engine: Engine, wanted: Iterable[Wanted]) -> None:
        """Make those that are not there yet, in a transaction of their own; raises DBAPIError."""
        missing = set(wanted) - self._there
        if not missing:
            return
        with engine.begin() as connection:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
            for table, number in sorted(missing):
                _make(connection, table, number)
        self._there |= missing


def _make(connection: Connection, table: str, number: int) -> None:
    """Make one; what has come before it was there lies in the partition for everything else, and moves over."""
    name = f"centre.{table}_{number}"
    if connection.execute(text("SELECT to_regclass(:name)"), {"name": name}).scalar() is not None:
        return
    low, high = _bounds(table, number)
    key = "day" if table in ("rollup_day", "feature_day") else "id"
    within = f"WHERE {key} >= {low} AND {key} < {high}"
    other = f"centre.{table}_other"
    connection.execute(text(f"CREATE TEMP TABLE moving ON COMMIT DROP AS SELECT * FROM {other} {within}"))
    connection.execute(text(f"DELETE FROM {other} {within}"))
    connection.execute(text(f"CREATE TABLE {name} PARTITION OF centre.{table} FOR VALUES FROM ({low}) TO ({high})"))
    connection.execute(text(f"INSERT INTO {name} SELECT * FROM moving"))
    connection.execute(text("DROP TABLE moving"))


def _bounds(table: str, number: int) -> tuple[int, int]:
    if table == "round_row":
        return number * DAY_S << 16, (number + 1) * DAY_S << 16
    first, end = number * GROUP_DAYS, (number + 1) * GROUP_DAYS
    return (first << 24, end << 24) if table == "day_block" else (first, end)


def drop_empty(connection: Connection, now_s: float) -> int:
    """Drop partitions of rounds that are over for some days and empty."""
    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
    names = connection.execute(
        text(
            "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid "
            "WHERE i.inhparent = 'centre.round_row'::regclass"
        )
    ).scalars()
    dropped = 0
    for name in names.all():
        tail = name.removeprefix("round_row_")
        if not tail.isdigit() or int(tail) > now_s // DAY_S - _KEEP_EMPTY_DAYS:
            continue
        if connection.execute(text(f"SELECT 1 FROM centre.{name} LIMIT 1")).scalar() is None:
            connection.execute(text(f"DROP TABLE centre.{name}"))
            dropped += 1
    return dropped
