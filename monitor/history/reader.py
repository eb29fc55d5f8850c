"""One reader for everybody: a series, from, to, at most N points → columns, whichever table they come from.

Stretches of a day or longer are made of daily rollups, shorter ones of day blocks and of the rows of days that are
not folded yet; each reading counts once.
"""

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BindParameter, Connection, TextClause, bindparam, select, text

from monitor.facts.readings import Slot, State
from monitor.history import tables as t
from monitor.history.blocks import Day, Floats, unpack_many
from monitor.history.fold import DAY_S, chunks, merged

NOT_ASKED = 255
"""Stands among the states of stretches in which nobody asked."""
_LATE = 1.75
"""From so many times the usual distance on, a reading between two is not there."""
_NEARLY = 0.95
"""What is shorter than a day by less than this counts as one: a year in 365 points, less a second."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Readings in at most N equal stretches of time; NaN where nothing was seen, −inf for no light.

    ``states`` is SEEN where anything was seen, else the kind of missing that was most frequent, else NOT_ASKED.
    ``resolution_s`` is the distance between readings over most of the time, ``latest_resolution_s`` at its end
    (0: fewer than two). ``times_s`` are the middles of the stretches, ``seen_at_s`` when on the mean what was seen in
    each was read: a rate between two stretches is one between those. ``lacking`` counts readings between the first and
    the last that are not there, asked for or not; whole days where the line is made of days.
    """

    times_s: Floats
    lows: Floats
    means: Floats
    highs: Floats
    seen: NDArray[np.int64]
    missed: NDArray[np.int64]
    states: NDArray[np.uint8]
    resolution_s: float
    latest_resolution_s: float
    seen_at_s: Floats
    lacking: int


@dataclass(frozen=True, slots=True)
class _Pieces:
    """What a stretch is made of: readings, or whole days; one row each, in the order of time."""

    times_s: Floats
    lows: Floats
    means: Floats
    highs: Floats
    counts: Floats | None
    """A row each for n, dark, silent, absent, garbled; None where each is one reading with a value."""


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
    whole_days = (-(-(from_s + offset_s) // DAY_S), (to_s + offset_s + (1 - _NEARLY) * DAY_S) // DAY_S)
    by_days = (to_s - from_s) / points >= _NEARLY * DAY_S and whole_days[1] - whole_days[0] > 1
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
        found[slot] = _stretches(pieces, from_s, to_s, points, offset_s)
    return found


def number_of(connection: Connection, slot: Slot) -> int | None:
    """The id of a series, where it is known."""
    where = (t.series.c.resource == slot.resource, t.series.c.quantity == slot.quantity)
    return connection.execute(select(t.series.c.id).where(*where)).scalar()


def _offset(connection: Connection) -> int:
    query = select(t.setting.c.value).where(t.setting.c.name == "standard_offset_s")
    return int(connection.execute(query).scalar() or 0)


def _each(day: Day) -> _Pieces:
    """Every reading as a piece of its own."""
    if not day.states.any() and np.isfinite(day.values).all():
        return _Pieces(day.times_s, day.values, day.values, day.values, None)
    seen = day.states == State.SEEN
    dark = seen & np.isneginf(day.values)
    lit = seen & ~dark
    counts = [lit, dark, *(day.states == kind for kind in (State.SILENT, State.ABSENT, State.GARBLED))]
    return _Pieces(day.times_s, day.values, day.values, day.values, np.array(counts, np.float64))


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


def _rollups(
    connection: Connection, numbers: Sequence[int], first: int, last: int, offset_s: int
) -> dict[int, _Pieces]:
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
        found[number] = _Pieces(times, lows, own[:, 3], highs, np.vstack([own[:, 5:7].T, kinds[mine].T]))
    return found


def _by_day(connection: Connection, query: TextClause, wanted: dict[str, Any], columns: int) -> Floats:
    """Rows by day and series, as floats; NaN for what is empty."""
    with connection.execute(query, wanted) as result:
        # Plain tuples of the driver: a Row of SQLAlchemy costs more than reading it from the disk.
        table = np.array(result.cursor.fetchall(), np.float64).reshape(-1, columns)
    return table[np.lexsort((table[:, 0], table[:, 1]))]


def _stretches(pieces: Sequence[_Pieces], from_s: float, to_s: float, points: int, offset_s: int) -> Columns:
    pieces = [piece for piece in pieces if len(piece.times_s)]
    edges = np.linspace(from_s, to_s, points + 1)
    middle = (edges[:-1] + edges[1:]) / 2
    if not pieces:
        nothing, none = np.full(points, np.nan), np.zeros(points, np.int64)
        not_asked = np.full(points, NOT_ASKED, np.uint8)
        return Columns(middle, nothing, nothing, nothing, none, none, not_asked, 0.0, 0.0, middle, 0)
    times, lows, means, highs = (
        np.concatenate([getattr(piece, name) for piece in pieces]) for name in ("times_s", "lows", "means", "highs")
    )
    starts = np.searchsorted(times, edges[:-1], side="left")
    sizes = np.diff(np.append(starts, len(times)))
    filled = sizes > 0
    first = starts[filled]  # where nothing lies in a stretch, reduceat would give what lies behind it

    def spread(values: Floats) -> Floats:
        whole = np.full(points, np.nan)
        whole[filled] = values
        return whole

    lowest, highest = spread(np.fmin.reduceat(lows, first)), spread(np.fmax.reduceat(highs, first))
    if all(piece.counts is None for piece in pieces):
        mean, seen = spread(np.add.reduceat(means, first) / sizes[filled]), sizes.astype(np.int64)
        missed, states = np.zeros(points, np.int64), np.where(filled, State.SEEN, NOT_ASKED).astype(np.uint8)
        at_s = np.where(filled, from_s + spread(np.add.reduceat(times - from_s, first) / sizes[filled]), middle)
        usual_s, latest_s = _resolution(times)
        lacking = _lacking(times, np.ones(len(times), np.bool_), usual_s, offset_s)
        return Columns(middle, lowest, mean, highest, seen, missed, states, usual_s, latest_s, at_s, lacking)
    counts = np.concatenate([_counts(piece) for piece in pieces], axis=1)
    sums = np.zeros((len(counts), points))
    sums[:, filled] = np.add.reduceat(counts, first, axis=1)
    lit, dark, missing = sums[0], sums[1], sums[2:]
    weighed = np.where(counts[0] > 0, means, 0.0) * counts[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = spread(np.add.reduceat(weighed, first)) / lit
    mean[(lit == 0) & (dark > 0)] = -np.inf
    mean[(lit == 0) & (dark == 0)] = np.nan
    states = np.where(missing.sum(axis=0) > 0, missing.argmax(axis=0) + 1, NOT_ASKED).astype(np.uint8)
    states[lit + dark > 0] = State.SEEN
    seen, missed = lit.astype(np.int64), missing.sum(axis=0).astype(np.int64)
    with np.errstate(invalid="ignore", divide="ignore"):
        at_s = from_s + spread(np.add.reduceat((times - from_s) * counts[0], first)) / lit
    at_s = np.where(lit > 0, at_s, middle)
    usual_s, latest_s = _resolution(times)
    lacking = _lacking(times, counts[0] + counts[1] > 0, usual_s, offset_s)
    return Columns(middle, lowest, mean, highest, seen, missed, states, usual_s, latest_s, at_s, lacking)


def _lacking(times: Floats, seen: NDArray[np.bool_], usual_s: float, offset_s: int) -> int:
    """Readings that are not there between the first and the last; whole days where a day is the usual distance."""
    if not seen.any() or not usual_s:
        return 0
    if usual_s >= _NEARLY * DAY_S:
        days = np.unique((times[seen] + offset_s) // DAY_S)
        return int(days[-1] - days[0] + 1 - len(days))
    steps = np.diff(times)
    gaps = steps[steps > _LATE * usual_s]
    return int((~seen).sum() + np.rint(gaps / usual_s - 1).sum())


def _counts(piece: _Pieces) -> Floats:
    if piece.counts is not None:
        return piece.counts
    whole = np.zeros((5, len(piece.times_s)))
    whole[0] = 1
    return whole


def _resolution(times: Floats) -> tuple[float, float]:
    """Distance between readings that holds for most of the time, and the distance at the end [s]."""
    if len(times) < 2:
        return 0.0, 0.0
    steps = np.diff(times)
    usual = float(np.median(steps))
    if steps[steps == usual].sum() * 2 < steps.sum():
        in_order = np.sort(steps)
        usual = float(in_order[np.searchsorted(np.cumsum(in_order), in_order.sum() / 2)])
    return usual, float(np.median(steps[-60:]))


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
