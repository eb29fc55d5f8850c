"""The pages of a damaged SQLite file, each for itself: rows are found whether or not anything still leads to them.

The format is that of SQLite's file format document, sections 1.6 (b-tree pages), 2.1 (records) and 3 of its overflow
chains. A page that is whole gives the rows that it points to. One that is not is searched for what can only be a row.
"""

import re
import struct
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from monitor.history.wal import committed

OCTETS = 4096
_TABLE_LEAF, _TABLE_INTERIOR, _INDEX_LEAF, _INDEX_INTERIOR = 13, 5, 10, 2
_HEADS = {_TABLE_LEAF: 8, _INDEX_LEAF: 8, _TABLE_INTERIOR: 12, _INDEX_INTERIOR: 12}
_SIZES = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8, 8: 0, 9: 0}
_MOST_PAYLOAD = 1 << 24
_FIRST_HEAD = 100
"""What stands before the first page's own head."""
_BLOB_ROW = re.compile(
    rb"(?=(?:\x03\x00[\x0c-\x7f]|\x04\x00[\x81-\xff][\x00-\x7f]|\x05\x00[\x81-\xff][\x80-\xff][\x00-\x7f])x)"
)
"""The head of a record of NULL (the id stands outside), and octets made by zlib (RFC 1950: 0x78 comes first)."""
_NUMBERS = re.compile(rb"(?=\x0c[\x00-\x09]{11}|\x0b[\x00-\x09]{10})")
"""The head of a record of eleven numbers, or of ten."""
Value = int | float | bytes | str | None


@dataclass(frozen=True, slots=True)
class Row:
    """A row as it stands in a page: its id (None in a table that has none), and its values in their order."""

    id: int | None
    values: tuple[Value, ...]


class _NoRow(ValueError):
    """What stands there is no row."""


class Pages:
    """A file and what its log has committed, page by page. The first page has number 1."""

    def __init__(self, file: Path) -> None:
        self._file = file.open("rb")
        self._newer = committed(file.with_name(file.name + "-wal"), OCTETS)
        size = file.stat().st_size
        self.count = max([size // OCTETS, *self._newer])

    def close(self) -> None:
        """Give the file back."""
        self._file.close()

    def page(self, number: int) -> bytes:
        """A page's octets; raises _NoRow for a page that does not exist."""
        if not 1 <= number <= self.count:
            raise _NoRow("no such page")
        if number in self._newer:
            return self._newer[number]
        self._file.seek((number - 1) * OCTETS)
        return self._file.read(OCTETS).ljust(OCTETS, b"\0")

    @cached_property
    def free(self) -> frozenset[int]:
        """Pages of the free list: what stands on them has been deleted. None where the list is not as long as it says:
        a damaged one could lead to pages that are in use."""
        found: set[int] = set()
        trunk, count = struct.unpack(">II", self.page(1)[32:40])
        while 1 < trunk <= self.count and trunk not in found and len(found) < count:
            found.add(trunk)
            raw = self.page(trunk)
            trunk, n = struct.unpack(">II", raw[:8])
            n = min(n, OCTETS // 4 - 2)
            found |= {leaf for leaf in struct.unpack(f">{n}I", raw[8 : 8 + 4 * n]) if 1 < leaf <= self.count}
        return frozenset(found) if len(found) == count and not trunk else frozenset()

    def roots(self) -> Iterator[tuple[str, str, int]]:
        """Kind, table and first page of each table and index, by what is left of the schema, wherever it stands."""
        for number in range(1, self.count + 1):
            if number in self.free or b"CREATE " not in self.page(number):
                continue
            for row in self._pointed(self.page(number), _FIRST_HEAD if number == 1 else 0)[0]:
                if row.id is not None and len(row.values) == 5:
                    kind, _, table, root, _ = row.values
                    if isinstance(kind, str) and isinstance(table, str) and isinstance(root, int):
                        yield kind, table, root

    def rows(self) -> Iterator[tuple[int, list[Row]]]:
        """Every page that is not free, with the rows that stand on it."""
        for number in range(2, self.count + 1):
            if number not in self.free:
                yield number, self.on(number)

    def below(self, root: int) -> Iterator[int]:
        """The pages with rows that the root of a table or an index leads to, past what does not fit."""
        waiting, met = [root], set[int]()
        while waiting:
            number = waiting.pop()
            if number in met or not 1 < number <= self.count:
                continue
            met.add(number)
            raw = self.page(number)
            if raw[0] != _TABLE_INTERIOR:
                yield number
            if raw[0] not in (_TABLE_INTERIOR, _INDEX_INTERIOR):
                continue
            n = min(int.from_bytes(raw[3:5], "big"), (OCTETS - 12) // 2)
            places = struct.unpack(f">{n}H", raw[12 : 12 + 2 * n])
            waiting += [int.from_bytes(raw[at : at + 4], "big") for at in (8, *places)]

    def on(self, number: int) -> list[Row]:
        """The rows on one page."""
        raw = self.page(number)
        rows, whole = self._pointed(raw)
        if not whole:
            there = {row.id if row.id is not None else row.values for row in rows}
            rows += [row for row in self._searched(raw) if (row.values if row.id is None else row.id) not in there]
        return rows

    def _pointed(self, raw: bytes, base: int = 0) -> tuple[list[Row], bool]:
        """The rows to which a page points, and whether all its octets are accounted for."""
        kind = raw[base]
        if kind == _TABLE_INTERIOR or kind not in _HEADS:
            return [], kind == _TABLE_INTERIOR
        first_free, n, start, fragments = struct.unpack(">HHHB", raw[base + 1 : base + 8])
        head = base + _HEADS[kind]
        if head + 2 * n > OCTETS:
            return [], False
        rows: list[Row] = []
        used, whole = fragments + _freed(raw, first_free), True
        for at in struct.unpack(f">{n}H", raw[head : head + 2 * n]):
            try:
                if at < head + 2 * n:
                    raise _NoRow("a pointer into the head")
                row, size = self._cell(raw, at, kind)
                rows.append(row)
                used += max(4, size)
            except (_NoRow, struct.error, IndexError, UnicodeDecodeError):
                whole = False
        return _in_order(rows), whole and used == OCTETS - (start or 65_536)

    def _searched(self, raw: bytes) -> Iterator[Row]:
        """Rows of the tables of blocks, rounds and daily figures, wherever they stand on a page."""
        for pattern, lengths in ((_BLOB_ROW, range(2, 12)), (_NUMBERS, range(1, 2))):
            kind = _TABLE_LEAF if pattern is _BLOB_ROW else _INDEX_LEAF
            for found in pattern.finditer(raw):
                for before in lengths:
                    try:
                        row, _ = self._cell(raw, found.start() - before, kind, found.start())
                    except (_NoRow, struct.error, IndexError, UnicodeDecodeError):
                        continue
                    yield row
                    break

    def _cell(self, raw: bytes, at: int, kind: int, record_at: int | None = None) -> tuple[Row, int]:
        """The row at a place, and the octets that it takes there; raises _NoRow."""
        if at < 0:
            raise _NoRow("before the page")
        begin = at
        at += 4 if kind == _INDEX_INTERIOR else 0
        length, at = _varint(raw, at)
        key = None
        if kind == _TABLE_LEAF:
            key, at = _varint(raw, at)
        if not 0 < length <= _MOST_PAYLOAD or (record_at is not None and at != record_at):
            raise _NoRow("no length of a row")
        local = _local(length, kind)
        payload, end = raw[at : at + local], at + local
        if local < length:
            payload += self._overflow(int.from_bytes(raw[end : end + 4], "big"), length - local)
            end += 4
        if end > OCTETS:
            raise _NoRow("beyond the page")
        return Row(key, record(payload)), end - begin

    def _overflow(self, number: int, length: int) -> bytes:
        parts = []
        while length > 0:
            raw = self.page(number)
            parts.append(raw[4 : 4 + length])
            length -= OCTETS - 4
            number = int.from_bytes(raw[:4], "big")
        return b"".join(parts)


def record(payload: bytes) -> tuple[Value, ...]:
    """The values of a record; raises _NoRow for one whose parts do not add up.

    >>> record(bytes((4, 0, 1, 15)) + bytes((5,)) + b"x")
    (None, 5, 'x')
    """
    size, at = _varint(payload, 0)
    if not 0 < size <= len(payload):
        raise _NoRow("no head of a record")
    body, values = size, list[Value]()
    while at < size:
        kind, at = _varint(payload, at)
        length = _SIZES[kind] if kind in _SIZES else (kind - 12) // 2
        if kind < 0 or kind in (10, 11) or body + length > len(payload):
            raise _NoRow("no type of a value")
        values.append(_value(kind, payload[body : body + length]))
        body += length
    if at != size or body != len(payload):
        raise _NoRow("it has another length than its head says")
    return tuple(values)


def _value(kind: int, raw: bytes) -> Value:
    if kind == 0:
        return None
    if kind == 7:
        return float(struct.unpack(">d", raw)[0])
    if kind in (8, 9):
        return kind - 8
    if kind < 7:
        return int.from_bytes(raw, "big", signed=True)
    return raw if kind % 2 == 0 else raw.decode()


def _varint(raw: bytes, at: int) -> tuple[int, int]:
    """A number and where it ends: seven bits an octet, the ninth has all eight."""
    value = 0
    for i in range(9):
        octet = raw[at + i]
        if i == 8:
            value = value << 8 | octet
            return value - (1 << 64) if value >> 63 else value, at + 9
        value = value << 7 | octet & 0x7F
        if octet < 0x80:
            return value, at + i + 1
    raise AssertionError("the ninth octet ends it")


def _local(length: int, kind: int) -> int:
    """How much of a payload stands on its page: section 1.6, with its letters."""
    most = OCTETS - 35 if kind == _TABLE_LEAF else (OCTETS - 12) * 64 // 255 - 23
    if length <= most:
        return length
    least = (OCTETS - 12) * 32 // 255 - 23
    some = least + (length - least) % (OCTETS - 4)
    return some if some <= most else least


def _freed(raw: bytes, at: int) -> int:
    """Octets in a page's free blocks; -1 where they cannot be followed, which then adds up to nothing."""
    total, turns = 0, 0
    while at:
        if at > OCTETS - 4 or turns > OCTETS // 4:
            return -OCTETS
        following, size = struct.unpack(">HH", raw[at : at + 4])
        at, total, turns = following, total + size, turns + 1
    return total


def _in_order(rows: Sequence[Row]) -> list[Row]:
    """Rows whose ids ascend, as they do on every whole page: the fewest that break the order are left out."""
    if not rows or rows[0].id is None:
        return list(rows)
    tails: list[int] = []
    ends: list[int] = []
    before: list[int] = []
    for i, row in enumerate(rows):
        key = row.id or 0
        place = bisect_left(tails, key)
        before.append(ends[place - 1] if place else -1)
        tails[place : place + 1], ends[place : place + 1] = [key], [i]
    kept, at = list[Row](), ends[-1]
    while at >= 0:
        kept.append(rows[at])
        at = before[at]
    return kept[::-1]
