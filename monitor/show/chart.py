"""What a chart shows, and how it is laid out once for both ways of drawing it: runs, axis, levels, marks, notes.

Nothing here is computed but where things stand; ``charts.py`` writes it for Vega-Lite, ``over_time.py`` as plain SVG.
"""

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from itertools import pairwise
from statistics import median
from typing import Final

from monitor.facts.words import Moment, Said, Tongue, say

MONTH_S: Final = 30.4375 * 86_400
NEAR: Final = 3.0
"""A limit farther from the readings than this many times their span is told in words, not drawn."""
LATE: Final = 1.75
"""From so many times the distance of the points around them on, two points are not joined: one between is not there."""
AROUND: Final = 5
NOTE_CHARACTERS: Final = 96
LEAST_TICKS: Final = 3
PAD_SHARE: Final = 0.06
ROOM_SHARE: Final = 0.15

Row = tuple[float, float, float, float]
"""Time (UTC seconds), lowest, mean, highest."""


@dataclass(frozen=True, slots=True)
class Chart:
    """What a chart shows; times are UTC seconds, values in ``unit``."""

    title: str
    unit: str
    times_s: Sequence[float]
    lows: Sequence[float]
    means: Sequence[float]
    highs: Sequence[float]
    limits: Sequence[tuple[float, str]] = ()
    baseline: float | None = None
    repairs: Sequence[tuple[float, str]] = ()
    fan_months: tuple[float, float, float] | None = None
    """Months from the end until the first limit: one in ten, the median, nine in ten."""
    resolution: str = ""
    stretch_s: float = 0.0
    """Each point stands for what was read within so long; 0: each is a reading."""

    @property
    def rows(self) -> list[Row]:
        """Time, low, mean and high of what was seen; no light has no place on a scale and is left out."""
        columns = zip(self.times_s, self.lows, self.means, self.highs, strict=True)
        found = []
        for at_s, low, mean, high in columns:
            if math.isfinite(mean):
                found.append((at_s, low if math.isfinite(low) else mean, mean, high if math.isfinite(high) else mean))
        return found


@dataclass(frozen=True, slots=True)
class Level:
    """A value that goes across the whole chart, and what stands at it."""

    value: float
    words: Said
    is_limit: bool
    at_left: bool
    """Where its words stand: neighbours take turns, so that none covers another's."""
    under: bool
    """Its words stand under it, away from the readings, where there is room."""


@dataclass(frozen=True, slots=True)
class Axis:
    """Values from the lowest to the highest that is drawn, and where figures stand, with so many digits."""

    low: float
    high: float
    ticks: tuple[float, ...]
    digits: int

    def figure(self, value: float, tongue: Tongue) -> str:
        """A tick's figure; never "-0"."""
        return f"{round(value, self.digits) + 0.0:.{self.digits}f}".replace(".", tongue.decimal)


@dataclass(frozen=True, slots=True)
class Fan:
    """From the last value to a limit: when it is reached early, most likely, late (UTC seconds)."""

    from_s: float
    value: float
    limit: float
    early_s: float
    middle_s: float
    late_s: float

    @property
    def at_early(self) -> float:
        """Where a value that gets there late is when one that gets there early is there."""
        share = (self.early_s - self.from_s) / (self.late_s - self.from_s) if self.late_s > self.from_s else 1.0
        return self.value + share * (self.limit - self.value)


@dataclass(frozen=True, slots=True)
class Laid:
    """A chart laid out: what was measured in runs without a gap, and everything beside it."""

    runs: tuple[tuple[Row, ...], ...]
    from_s: float
    to_s: float
    axis: Axis
    levels: tuple[Level, ...]
    marks: tuple[tuple[float, int], ...]
    """Times of what was repaired, numbered as in the notes."""
    notes: tuple[Said, ...]
    fan: Fan | None


def lay(chart: Chart, zone: tzinfo) -> Laid | None:
    """A chart laid out; None where nothing was measured yet."""
    rows = chart.rows
    if not rows:
        return None
    low, high = min(row[1] for row in rows), max(row[3] for row in rows)
    limits = [(value, words) for value, words in chart.limits if math.isfinite(value)]
    reach = NEAR * (high - low) + 2
    near = [one for one in limits if chart.fan_months is not None or low - reach <= one[0] <= high + reach]
    drawn = [low, high, *(value for value, _ in near), *([] if chart.baseline is None else [chart.baseline])]
    axis = axis_of(min(drawn), max(drawn))
    fan = _fan(chart, rows[-1], near[0][0]) if chart.fan_months is not None and near else None
    from_s, to_s = rows[0][0], rows[-1][0] if fan is None else fan.late_s
    levels = _levels(chart, near, axis)
    repairs = [(at_s, words) for at_s, words in chart.repairs if from_s <= at_s <= to_s]
    marks = tuple((at_s, i) for i, (at_s, _) in enumerate(repairs, 1))
    notes = [_repair_words(i, at_s, words, zone) for i, (at_s, words) in enumerate(repairs, 1)]
    notes += [_beyond_words(value, words, chart.unit, axis) for value, words in limits if (value, words) not in near]
    return Laid(runs_of(rows, chart.stretch_s), from_s, to_s, axis, levels, marks, tuple(notes), fan)


def _under(value: float, middle: float, axis: Axis) -> bool:
    return value < middle and value - axis.low > ROOM_SHARE * (axis.high - axis.low)


def _levels(chart: Chart, near: Sequence[tuple[float, str]], axis: Axis) -> tuple[Level, ...]:
    middle = median(row[2] for row in chart.rows)
    found = [(value, words, True) for value, words in near]
    found += [] if chart.baseline is None else [(chart.baseline, say("baseline"), False)]
    return tuple(
        Level(value, _level_words(words, value, chart.unit), is_limit, i % 2 == 0, _under(value, middle, axis))
        for i, (value, words, is_limit) in enumerate(sorted(found, key=lambda one: -one[0]))
    )


def runs_of(rows: Sequence[Row], stretch_s: float = 0.0) -> tuple[tuple[Row, ...], ...]:
    """Rows that may be joined by a line: between two runs something was not seen, or nobody asked.

    Points that stand for stretches of so long may be as far apart as these make them.
    """
    times = [row[0] for row in rows]
    steps = [after - before for before, after in pairwise(times)]
    runs: list[list[Row]] = [[rows[0]]] if rows else []
    for i, step_s in enumerate(steps):
        # Readings may come closer together from some time on: what is usual on either side counts.
        sides = [side for side in (steps[max(0, i - AROUND) : i], steps[i + 1 : i + 1 + AROUND]) if side]
        usual_s = max([stretch_s, *(median(side) for side in sides)]) or step_s
        if step_s > LATE * usual_s:
            runs.append([])
        runs[-1].append(rows[i + 1])
    return tuple(tuple(run) for run in runs)


def axis_of(low: float, high: float) -> Axis:
    """An axis around values: steps of 1, 2 or 5, and as many digits as these need.

    >>> axis_of(50.1, 50.4).ticks, axis_of(50.1, 50.4).digits
    ((50.1, 50.2, 50.3, 50.4), 1)
    """
    pad = PAD_SHARE * (high - low) or 0.5
    low, high = low - pad, high + pad
    power = math.ceil(math.log10(high - low))
    while True:
        for factor in (5, 2, 1):
            step = factor * 10.0**power
            first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
            if last - first + 1 >= LEAST_TICKS:
                digits = max(0, -power)
                return Axis(low, high, tuple(round(i * step, digits) for i in range(first, last + 1)), digits)
        power -= 1


def _fan(chart: Chart, last: Row, limit: float) -> Fan:
    assert chart.fan_months is not None, "only what has a forecast has a fan"
    early_s, middle_s, late_s = (last[0] + months * MONTH_S for months in chart.fan_months)
    return Fan(last[0], last[2], limit, early_s, middle_s, late_s)


def _level_words(words: str, value: float, unit: str) -> Said:
    return say("{what} {value:.4g} {unit}", what=words, value=value, unit=unit)


def _repair_words(number: int, at_s: float, words: str, zone: tzinfo) -> Said:
    when = Moment(datetime.fromtimestamp(at_s, zone), "date")
    return say("{number}: {when}, {what}", number=number, when=when, what=words)


def _beyond_words(value: float, words: str, unit: str, axis: Axis) -> Said:
    figures = {"what": words, "value": value, "unit": unit}
    if value > axis.high:
        return say("The {what} of {value:.4g} {unit} lies above this drawing.", **figures)
    return say("The {what} of {value:.4g} {unit} lies below this drawing.", **figures)


def note_lines(notes: Sequence[Said], tongue: Tongue) -> list[str]:
    """Notes in lines that a drawing has room for."""
    return [line for note in notes for line in textwrap.wrap(tongue.say(note), NOTE_CHARACTERS)]


NOTHING_YET: Final = say("Nothing yet.")
