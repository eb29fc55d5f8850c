"""One reader for everybody: a series, from, to, at most N points → columns, whichever table they come from.

Stretches of a day or longer are made of daily rollups, shorter ones of day blocks and of the rows of days that are
not folded yet; each reading counts once.
"""

import struct
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BindParameter, Connection, TextClause, bindparam, select, text

from monitor.facts.readings import Slot, State
from monitor.history import tables as t
from monitor.history.blocks import Day, Floats, unpack_many
from monitor.history.columns import NEARLY, Columns, Pieces, stretches
from monitor.history.fold import DAY_S, chunks, merged


class Places:
    """Where each series stands in the rows of each layout; read once, then only what is new."""

    def __init__(self) -> None:
        self._layouts: list[tuple[int, int, NDArray[np.uint32]]] = []

    def of(self, connection: Connection, series: int) -> tuple[dict[int, int], set[int]]:
        """Layout → place of the series, and the device slots that have it."""
        last = self._layouts[-1][0] if self._layouts else 0
        query = select(t.layout.c.id, t.layout.c.slot, t.layout.c.series_ids).where(t.layout.c.id > last)
        for number, slot, ids in connection.execute(query.order_by(t.layout.c.id)):
            self._layouts.append((number, slot, np.frombuffer(ids, "<u4")))
        places, slots = {}, set()
        for number, slot, ids in self._layouts:
            at = np.flatnonzero(ids == series)
            if len(at):
                places[number] = int(at[0])
                slots.add(slot)
        return places, slots


def read(
    connection: Connection, places: Places, slots: Sequence[Slot], from_s: float, to_s: float, points: int
) -> dict[Slot, Columns]:
    """Several series between two times (UTC seconds) in at most ``points`` stretches each."""
    offset_s = _offset(connection)
    whole_days = (-(-(from_s + offset_s) // DAY_S), (to_s + offset_s + (1 - NEARLY) * DAY_S) // DAY_S)
    by_days = (to_s - from_s) / points >= NEARLY * DAY_S and whole_days[1] - whole_days[0] > 1
    numbers = {slot: number_of(connection, slot) for slot in slots}
    known = [number for number in numbers.values() if number is not None]
    days = _rollups(connection, known, int(whole_days[0]), int(whole_days[1]) - 1, offset_s) if by_days else {}
    found = {}
    for slot, number in numbers.items():
        pieces = []
        if number is not None:
            rolled = days.get(number)
            if rolled is None or not len(rolled.times_s):
                pieces.append(_each(readings(connection, places, number, from_s, to_s)))
            else:
                first_s, end_s = rolled.times_s.min() - DAY_S / 2, rolled.times_s.max() + DAY_S / 2
                if from_s < first_s:
                    pieces.append(_each(readings(connection, places, number, from_s, first_s - 0.001)))
                pieces.append(rolled)
                if end_s <= to_s:
                    pieces.append(_each(readings(connection, places, number, end_s, to_s)))
        found[slot] = stretches(pieces, from_s, to_s, points, offset_s)
    return found


def number_of(connection: Connection, slot: Slot) -> int | None:
    """The id of a series, where it is known."""
    where = (t.series.c.resource == slot.resource, t.series.c.quantity == slot.quantity)
    return connection.execute(select(t.series.c.id).where(*where)).scalar()


def _offset(connection: Connection) -> int:
    query = select(t.setting.c.value).where(t.setting.c.name == "standard_offset_s")
    return int(connection.execute(query).scalar() or 0)


def _each(day: Day) -> Pieces:
    """Every reading as a piece of its own."""
    if not day.states.any() and np.isfinite(day.values).all():
        return Pieces(day.times_s, day.times_s, day.values, day.values, day.values, None)
    seen = day.states == State.SEEN
    dark = seen & np.isneginf(day.values)
    lit = seen & ~dark
    counts = [lit, dark, *(day.states == kind for kind in (State.SILENT, State.ABSENT, State.GARBLED))]
    return Pieces(day.times_s, day.times_s, day.values, day.values, day.values, np.array(counts, np.float64))


_FROM_ROLLUPS = (
    "FROM (WITH RECURSIVE d(day) AS (SELECT CAST(:first AS INTEGER) UNION ALL SELECT day + 1 FROM d WHERE day < :last) "
    "SELECT day FROM d) d JOIN rollup_day r ON r.day = d.day WHERE "
)
"""Rollups lie by day, so that a night writes few pages: each day is sought by itself."""
_MISSED = "r.silent + r.absent + r.garbled"
_NEIGHBOURS = 4
"""Series that lie so close together on the average are read in one run, with those between them."""


def _questions(where: str) -> tuple[TextClause, TextClause]:
    """The daily figures, and the kinds of what was missed where anything was."""
    figures = f"SELECT r.series, r.day, r.lo, r.mean, r.hi, r.n, r.dark, {_MISSED} {_FROM_ROLLUPS}{where}"
    kinds = f"SELECT r.series, r.day, r.silent, r.absent, r.garbled {_FROM_ROLLUPS}{where} AND {_MISSED} > 0"
    return text(figures), text(kinds)


_IN: BindParameter[int] = bindparam("series", expanding=True)
_RUN = _questions("r.series BETWEEN :low AND :high")
_EACH = tuple(one.bindparams(_IN) for one in _questions("r.series IN :series"))


def _rollups(connection: Connection, numbers: Sequence[int], first: int, last: int, offset_s: int) -> dict[int, Pieces]:
    if not numbers or last < first:
        return {}
    wanted: dict[str, Any] = {"first": first, "last": last}
    low, high = min(numbers), max(numbers)
    if high - low < _NEIGHBOURS * len(numbers):
        (figures, missing), wanted = _RUN, wanted | {"low": low, "high": high}
    else:
        (figures, missing), wanted = _EACH, wanted | {"series": list(numbers)}
    table = _by_day(connection, figures, wanted, 8)
    missed = table[:, 7] > 0
    kinds = np.zeros((len(table), 3))
    if missed.any():
        kinds[missed] = _by_day(connection, missing, wanted, 5)[:, 2:]
    found = {}
    for number in numbers:
        mine = table[:, 0] == number
        own = table[mine]
        lows, highs = own[:, 2].copy(), own[:, 4].copy()
        dark = own[:, 6] > 0
        lows[dark] = -np.inf
        highs[dark & np.isnan(highs)] = -np.inf
        times = (own[:, 1] + 0.5) * DAY_S - offset_s
        found[number] = Pieces(
            times, times + DAY_S / 2, lows, own[:, 3], highs, np.vstack([own[:, 5:7].T, kinds[mine].T])
        )
    return found


def _by_day(connection: Connection, query: TextClause, wanted: dict[str, Any], columns: int) -> Floats:
    """Rows by day and series, as floats; NaN for what is empty."""
    with connection.execute(query, wanted) as result:
        # Plain tuples of the driver: a Row of SQLAlchemy costs more than reading it from the disk.
        table = np.array(result.cursor.fetchall(), np.float64).reshape(-1, columns)
    return table[np.lexsort((table[:, 0], table[:, 1]))]


def readings(connection: Connection, places: Places, series: int, from_s: float, to_s: float) -> Day:
    """Every reading of a series in time order; what is damaged is left out: one reading less, never a wrong one."""
    parts = [_blocks(connection, series, from_s, to_s), _rows(connection, places, series, from_s, to_s)]
    times = np.concatenate([part.times_s for part in parts])
    values = np.concatenate([part.values for part in parts])
    states = np.concatenate([part.states for part in parts])
    if len(times) > 1 and (np.diff(times) <= 0).any():  # rows that came late for a folded day
        whole = merged(Day(times[:0], values[:0], states[:0]), Day(times, values, states))
        times, values, states = whole.times_s, whole.values, whole.states
    low, high = np.searchsorted(times, from_s, "left"), np.searchsorted(times, to_s, "right")
    return Day(times[low:high], values[low:high], states[low:high])


def _blocks(connection: Connection, series: int, from_s: float, to_s: float) -> Day:
    """The folded days of a series that touch a stretch of time."""
    low, high = int(from_s // DAY_S) - 1, int(to_s // DAY_S) + 1  # a site day lies within one day of UTC's
    blobs: list[bytes] = []
    for some in chunks([day << 24 | series for day in range(low, high + 1)]):
        keys = ",".join(map(str, some))  # numbers of our own; a list of parameters costs more than the blocks
        with connection.exec_driver_sql(f"SELECT blob FROM day_block WHERE id IN ({keys}) ORDER BY id") as result:
            blobs += (blob for (blob,) in result.cursor.fetchall())
    return unpack_many(blobs)


_ROWS = text("SELECT id, blob FROM round_row WHERE id BETWEEN :low AND :high AND (id & 65535) = :slot ORDER BY id")


def _rows(connection: Connection, places: Places, series: int, from_s: float, to_s: float) -> Day:
    """What stands of a series in round rows."""
    where, slots = places.of(connection, series)
    times: list[int] = []
    raw: list[bytes] = []
    for slot in slots:
        bounds = {"low": int(from_s) << 16, "high": (int(to_s) << 16) | 0xFFFF, "slot": slot}
        for key, blob in connection.execute(_ROWS, bounds):
            one = _value(blob, where)
            if one is not None:
                times.append(key >> 16)
                raw.append(one)
    values = np.frombuffer(b"".join(raw), "<f8").astype(np.float64)
    states = np.zeros(len(values), np.uint8)
    missing = np.isnan(values)
    states[missing] = values.view(np.uint64)[missing] & np.uint64(0xFF)
    right = states <= State.GARBLED
    order = np.argsort(np.array(times, np.float64)[right], kind="stable")
    return Day(np.array(times, np.float64)[right][order], values[right][order], states[right][order])


def _value(blob: bytes, places: dict[int, int]) -> bytes | None:
    """The eight octets of one series in a row; None where the row is damaged, or of another layout."""
    try:
        row = zlib.decompress(blob)
        place = places.get(struct.unpack_from("<I", row)[0])
    except (zlib.error, struct.error):
        return None
    if place is None or len(row) < 12 + 8 * place:
        return None
    return row[4 + 8 * place : 12 + 8 * place]
