"""What can still be read of a damaged history: by SQLite around the pages that it cannot read, and page by page."""

import sqlite3
from array import array
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from sqlalchemy import Table

from monitor.history import tables as t
from monitor.history.carved import indexed_rows, large_rows, small_rows, strays
from monitor.history.fitting import FIRST_DAY, LAST_DAY, typed
from monitor.history.pages import Pages
from monitor.history.read_only import reading

SMALL = (
    t.series,
    t.device_slot,
    t.layout,
    t.setting,
    t.cursor,
    t.baseline,
    t.repair,
    t.event,
    t.alarm,
    t.alarm_change,
    t.outbox,
    t.shelf,
    t.untimed_row,
)
"""Tables that are taken over before anything new is written, so that their ids go on."""
LARGE = (t.rollup_day, t.feature_day, t.day_block, t.round_row)
_NAMES = (t.series, t.device_slot, t.layout)
"""Tables to which all others refer, and whose index holds all that matters of them once more."""
BATCH = 1000
TOP = 2**62
_TRIES = 1000
"""Questions to a stretch with unreadable pages; the widest parts of it are looked into first."""
_HEADER = 100


@dataclass(frozen=True, slots=True)
class Hole:
    """Keys of a table between which SQLite can read nothing, and how many rows were found there page by page."""

    table: str
    low: int
    high: int
    found: int = 0


@dataclass
class Wreck:
    """A damaged file, opened for reading. ``model`` is an intact, empty history of the same schema."""

    file: Path
    model: Path
    holes: list[Hole] = field(default_factory=list)
    taken: dict[str, int] = field(default_factory=dict)
    _ids: "dict[str, array[int]]" = field(default_factory=dict)
    _connection: sqlite3.Connection | None = None

    def open(self) -> None:
        """Open the file; where its head is damaged, with a head from the model (the old one is kept beside it)."""
        for octets in (0, _HEADER, 4096):
            if octets > 0:
                if octets > _HEADER and _begins_a_page(self.file):
                    return  # what is damaged is the schema: another's would lead astray, its rows are read by the page
                _lend_head(self.file, self.model, octets)
            self._connection = sqlite3.connect(f"file:{self.file}?mode=ro", uri=True, check_same_thread=False)
            self._connection.text_factory = _text
            try:
                self._connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
                self._connection.execute("SELECT * FROM round_row LIMIT 0")
                return
            except sqlite3.DatabaseError:
                self._connection.close()
                self._connection = None

    @property
    def readable(self) -> bool:
        """Could it be opened at all?"""
        return self._connection is not None

    def close(self) -> None:
        """Give the file back."""
        if self._connection is not None:
            self._connection.close()

    def small(self, table: Table) -> Iterator[list[dict[str, Any]]]:
        """All rows of a small table that can be read, in batches; some may come twice."""
        names = self._columns(table)
        batch: list[dict[str, Any]] = []
        for row in self._walk(table, names) if names else ():
            batch.append(dict(zip(names, row, strict=True)))
            if len(batch) == BATCH:
                yield batch
                batch = []
        yield batch
        with closing(Pages(self.file)) as pages:
            roots = list(pages.roots())
            tables = [root for kind, name, root in roots if (kind, name) == ("table", table.name)]
            indexes = [root for kind, name, root in roots if (kind, name) == ("index", table.name)]
            found = list(small_rows(pages, tables, table, names))
            found += indexed_rows(pages, indexes, table) if table in _NAMES else ()
        yield [row for row in found if typed(table, row)]

    def strays(self) -> tuple[list[tuple[Table, dict[str, Any]]], int]:
        """Rows of small tables that nothing leads to any more, and how many could be of several tables."""
        with closing(Pages(self.file)) as pages:
            found = list(strays(pages, SMALL))
        return [one for one in found if one is not None], found.count(None)

    def large(self) -> Iterator[tuple[Table, list[dict[str, Any]]]]:
        """All rows of the large tables, page by page through the file, in batches."""
        batches: dict[Table, list[dict[str, Any]]] = {table: [] for table in LARGE}
        self.taken = dict.fromkeys((table.name for table in LARGE), 0)
        with closing(Pages(self.file)) as pages:
            for table, row in large_rows(pages):
                batch = batches[table]
                batch.append(row)
                self.taken[table.name] += 1
                if "id" in row:
                    self._ids.setdefault(table.name, array("q")).append(row["id"])
                if len(batch) == BATCH:
                    yield table, batch
                    batches[table] = []
        yield from ((table, batch) for table, batch in batches.items() if batch)

    def look_for_holes(self) -> None:
        """Where the large tables cannot be read through: what stood there has at best come page by page."""
        for table in LARGE:
            keys = [column.name for column in table.primary_key.columns]
            for _ in self._walk(table, keys) if self._columns(table) else ():
                pass
        self.holes = [replace(hole, found=self._found(hole)) for hole in self.holes]

    def _found(self, hole: Hole) -> int:
        return sum(hole.low <= key <= hole.high for key in set(self._ids.get(hole.table, ())))

    def _columns(self, table: Table) -> list[str]:
        if self._connection is None:
            return [column.name for column in table.columns]
        try:
            there = {row[1] for row in self._connection.execute(f"PRAGMA table_info({table.name})")}
        except sqlite3.DatabaseError:
            return []
        return [column.name for column in table.columns if column.name in there]

    def _walk(self, table: Table, names: Sequence[str]) -> Iterator[tuple[Any, ...]]:
        what = ", ".join(f'"{name}"' for name in names)
        keys = [column.name for column in table.primary_key.columns]
        if self._connection is None:
            self.holes.append(Hole(table.name, 0, TOP))
        elif keys[0] == "day":
            yield from self._by_day(table.name, what)
        elif keys == ["id"]:
            yield from self._by_id(table.name, what, names.index("id"))
        else:
            yield from self._try(table.name, f'SELECT {what} FROM "{table.name}"', (), Hole(table.name, 0, 0))

    def _try(
        self, table: str, query: str, bounds: tuple[int | str, ...], hole: Hole | None
    ) -> Iterator[tuple[Any, ...]]:
        assert self._connection is not None, "only an open wreck has columns"
        try:
            yield from self._connection.execute(query, bounds)
        except sqlite3.DatabaseError:
            if hole:
                self.holes.append(hole)

    def _by_day(self, table: str, what: str) -> Iterator[tuple[Any, ...]]:
        for day in range(FIRST_DAY, LAST_DAY):
            query = f"SELECT {what} FROM {table} WHERE day = ? ORDER BY day, series"
            before = len(self.holes)
            yield from self._try(table, query, (day,), Hole(table, day, day))
            if len(self.holes) > before:
                yield from self._try(table, f"{query} DESC", (day,), None)

    def _by_id(self, table: str, what: str, key: int) -> Iterator[tuple[Any, ...]]:
        """Forward to a page that cannot be read, on in growing steps to one that can; then what lies between."""
        assert self._connection is not None, "only an open wreck has columns"
        query = f"SELECT {what} FROM {table} WHERE id >= ? ORDER BY id"
        low, step, gap = 0, 1, -1
        while low < TOP:
            started = False
            try:
                for row in self._connection.execute(query, (low,)):
                    if gap >= 0 and not started:
                        yield from self._between(table, what, key, gap, row[key] - 1)
                        gap = -1
                    started, low = True, row[key] + 1
                    yield row
                break
            except sqlite3.DatabaseError:
                if gap < 0:
                    gap, step = low, 1
                low, step = gap + step, step * 2
        if gap >= 0:
            yield from self._between(table, what, key, gap, TOP)

    def _between(self, table: str, what: str, key: int, low: int, high: int) -> Iterator[tuple[Any, ...]]:
        """Rows between two keys where something cannot be read, halved again and again, the widest parts first."""
        assert self._connection is not None, "only an open wreck has columns"
        waiting, tries = deque([(low, high)]), 0
        holes: list[tuple[int, int]] = []
        while waiting:
            low, high = waiting.popleft()
            for order in ("ASC", "DESC"):
                query = f"SELECT {what} FROM {table} WHERE id BETWEEN ? AND ? ORDER BY id {order}"
                tries += 1
                try:
                    for row in self._connection.execute(query, (low, high)):
                        yield row
                        low, high = (row[key] + 1, high) if order == "ASC" else (low, row[key] - 1)
                except sqlite3.DatabaseError:
                    continue
                break
            else:
                if low < high and tries < _TRIES:
                    middle = (low + high) // 2
                    waiting += [(low, middle), (middle + 1, high)]
                elif low <= high:
                    holes.append((low, high))
        self.holes += [Hole(table, low, high) for low, high in _joined(holes)]


def _text(raw: bytes) -> str:
    """Damaged octets of a text must not end the reading of its page; that they are no text is found afterwards."""
    return raw.decode("utf-8", "surrogateescape")


def _joined(holes: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Holes that touch as one.

    >>> _joined([(5, 7), (1, 4), (9, 9)])
    [(1, 7), (9, 9)]
    """
    joined: list[tuple[int, int]] = []
    for low, high in sorted(holes):
        if joined and joined[-1][1] + 1 == low:
            low = joined.pop()[0]
        joined.append((low, high))
    return joined


def sound(file: Path) -> str:
    """What is wrong with a history, or nothing. Reads all of it, without keeping anybody from writing."""
    try:
        with closing(reading(file)) as connection:
            answer = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    except sqlite3.DatabaseError as error:
        return str(error)
    return "" if answer == "ok" else answer.replace("\n", " ")


def _begins_a_page(file: Path) -> bool:
    """Does a page of a table stand behind the file's head, as it should?"""
    with file.open("rb") as opened:
        opened.seek(_HEADER)
        return opened.read(1) in (b"\x05", b"\x0d")


def _lend_head(file: Path, model: Path, octets: int) -> None:
    """Put the model's first octets in place of the file's, which are kept beside it."""
    with model.open("rb") as opened:
        head = bytearray(opened.read(octets))
    # Two counters that differ say that the number of pages in the head does not count, but the file's own length.
    head[92:96] = bytes(4) if head[24:28] != bytes(4) else b"\0\0\0\1"
    with file.open("r+b") as opened:
        old = opened.read(octets)
        beside = file.with_suffix(f".head-{octets}")
        if not beside.exists():  # after a start in the middle, the head that is there is the one that was lent
            beside.write_bytes(old)
        opened.seek(0)
        opened.write(head)
