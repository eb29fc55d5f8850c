"""A series in equal stretches of time: what was seen in each, when, and how dense that was. Arithmetic, no SQL."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.facts.readings import State
from monitor.history.blocks import Floats
from monitor.history.fold import DAY_S

NOT_ASKED = 255
"""Stands among the states of stretches in which nobody asked."""
_LATE = 1.75
"""From so many times the usual distance on, a reading between two is not there."""
NEARLY = 0.95
"""What is shorter than a day by less than this counts as one: a year in 365 points, less a second."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Readings in at most N equal stretches of time; NaN where nothing was seen, −inf for no light.

    ``states`` is SEEN where anything was seen, else the kind of missing that was most frequent, else NOT_ASKED.
    ``resolution_s`` is the distance between readings over most of the time, ``latest_resolution_s`` at its end
    (0: fewer than two). ``times_s`` are the middles of the stretches, ``seen_at_s`` when on the mean what was seen in
    each was read, ``last_at_s`` when the last of it was (of whole days: their end): where a counter only grows, its
    highest value is of that time. ``lacking`` counts readings between the first and
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
    last_at_s: Floats
    lacking: int


@dataclass(frozen=True, slots=True)
class Pieces:
    """What a stretch is made of: readings, or whole days; one row each, in the order of time."""

    times_s: Floats
    ends_s: Floats
    """Of a day its end; of a reading its time."""
    lows: Floats
    means: Floats
    highs: Floats
    counts: Floats | None
    """A row each for n, dark, silent, absent, garbled; None where each is one reading with a value."""


@dataclass(frozen=True, slots=True)
class _Filled:
    """Which stretches hold anything, where its first piece is, and the middles of all [s]."""

    first: NDArray[np.int64]
    there: NDArray[np.bool_]
    middle_s: Floats

    def spread(self, values: Floats) -> Floats:
        """Values of those that hold anything, among NaN for the others; rows stay rows."""
        whole = np.full((*values.shape[:-1], len(self.middle_s)), np.nan)
        whole[..., self.there] = values
        return whole


def stretches(pieces: Sequence[Pieces], from_s: float, to_s: float, points: int, offset_s: int) -> Columns:
    """Pieces in so many equal stretches; ``offset_s`` is the site's standard time, by which days are counted."""
    pieces = [piece for piece in pieces if len(piece.times_s)]
    edges = np.linspace(from_s, to_s, points + 1)
    middle = (edges[:-1] + edges[1:]) / 2
    if not pieces:
        return _nothing(middle)
    names = ("times_s", "ends_s", "lows", "means", "highs")
    times, ends, lows, means, highs = (np.concatenate([getattr(one, name) for one in pieces]) for name in names)
    starts = np.searchsorted(times, edges[:-1], side="left")
    sizes = np.diff(np.append(starts, len(times)))
    filled = sizes > 0
    first = starts[filled]  # where nothing lies in a stretch, reduceat would give what lies behind it
    stands = _Filled(first, filled, middle)
    spread = stands.spread
    lowest, highest = spread(np.fmin.reduceat(lows, first)), spread(np.fmax.reduceat(highs, first))
    if all(piece.counts is None for piece in pieces):
        mean, seen = spread(np.add.reduceat(means, first) / sizes[filled]), sizes.astype(np.int64)
        missed, states = np.zeros(points, np.int64), np.where(filled, State.SEEN, NOT_ASKED).astype(np.uint8)
        timing = _timing(times, ends, np.ones((2, len(times))), stands, offset_s)
        return Columns(middle, lowest, mean, highest, seen, missed, states, *timing)
    counts = np.concatenate([_counts(piece) for piece in pieces], axis=1)
    sums = np.nan_to_num(spread(np.add.reduceat(counts, first, axis=1)))
    lit, dark, missing = sums[0], sums[1], sums[2:]
    weighed = np.where(counts[0] > 0, means, 0.0) * counts[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = spread(np.add.reduceat(weighed, first)) / lit
    mean[(lit == 0) & (dark > 0)] = -np.inf
    mean[(lit == 0) & (dark == 0)] = np.nan
    states = np.where(missing.sum(axis=0) > 0, missing.argmax(axis=0) + 1, NOT_ASKED).astype(np.uint8)
    states[lit + dark > 0] = State.SEEN
    seen, missed = lit.astype(np.int64), missing.sum(axis=0).astype(np.int64)
    timing = _timing(times, ends, counts, stands, offset_s)
    return Columns(middle, lowest, mean, highest, seen, missed, states, *timing)


def _nothing(middle: Floats) -> Columns:
    nothing, none = np.full(len(middle), np.nan), np.zeros(len(middle), np.int64)
    not_asked = np.full(len(middle), NOT_ASKED, np.uint8)
    return Columns(middle, nothing, nothing, nothing, none, none, not_asked, 0.0, 0.0, middle, middle, 0)


def _timing(
    times: Floats, ends: Floats, counts: Floats, stands: _Filled, offset_s: int
) -> tuple[float, float, Floats, Floats, int]:
    """The last five of ``Columns``; the first row of ``counts`` are readings with a value, the second dark ones."""
    weighed = np.vstack([counts[0], (times - times[0]) * counts[0]])
    number, total = stands.spread(np.add.reduceat(weighed, stands.first, axis=1))
    last = stands.spread(np.maximum.reduceat(np.where(counts[0] > 0, ends, -np.inf), stands.first))
    with np.errstate(invalid="ignore", divide="ignore"):
        seen_at_s = np.where(number > 0, times[0] + total / number, stands.middle_s)
    last = np.where(np.isfinite(last), last, stands.middle_s)
    usual_s, latest_s = _resolution(times)
    return usual_s, latest_s, seen_at_s, last, _lacking(times, counts[0] + counts[1] > 0, usual_s, offset_s)


def _lacking(times: Floats, seen: NDArray[np.bool_], usual_s: float, offset_s: int) -> int:
    """Readings that are not there between the first and the last; whole days where a day is the usual distance."""
    if not seen.any() or not usual_s:
        return 0
    if usual_s >= NEARLY * DAY_S:
        days = np.unique((times[seen] + offset_s) // DAY_S)
        return int(days[-1] - days[0] + 1 - len(days))
    steps = np.diff(times)
    gaps = steps[steps > _LATE * usual_s]
    return int((~seen).sum() + np.rint(gaps / usual_s - 1).sum())


def _counts(piece: Pieces) -> Floats:
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
