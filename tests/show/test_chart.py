"""Charts, in both drawings: nothing where nothing was seen, figures that differ, limits and repairs in words."""

import json
import math
import re
from datetime import UTC
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.facts.words import Tongue, say
from monitor.show.chart import Chart, axis_of, lay, runs_of
from monitor.show.charts import specification
from monitor.show.over_time import over_time

T0, HOUR_S, DAY_S = 1_790_000_000.0, 3600.0, 86_400.0
NAN = math.nan


def chart(times_s: list[float], means: list[float], **more: Any) -> Chart:
    return Chart("light at creek", "dBm", times_s, [m - 0.1 for m in means], means, [m + 0.1 for m in means], **more)


def hourly(count: int, gone: range = range(0)) -> tuple[list[float], list[float]]:
    """Readings of each hour in stretches of twenty minutes, so that two of three are empty anyway."""
    times_s = [T0 + 1200.0 * i for i in range(3 * count)]
    return times_s, [NAN if i % 3 or i // 3 in gone else -7.0 + 0.01 * (i % 7) for i in range(3 * count)]


def lines_of(one: Chart) -> list[int]:
    """How many points each line of the plain drawing has."""
    return [
        len(points.split()) for points in re.findall(r'<polyline points="([^"]+)" class="mean"', over_time(one, UTC))
    ]


@pytest.mark.parametrize(
    ("one", "lengths"),
    [
        (chart(*hourly(40)), [40]),
        (chart(*hourly(40, range(10, 14))), [10, 26]),
        (chart(*hourly(40, range(10, 11))), [10, 29]),
        # hourly for a while, then each minute, with half an hour away in between
        (
            chart(
                [T0 + HOUR_S * i for i in range(20)]
                + [T0 + 20 * HOUR_S + 60.0 * i for i in range(90) if not 30 <= i < 60],
                [-7.0] * 80,
            ),
            [50, 30],
        ),
        # no light at all for six hours
        (
            chart([T0 + HOUR_S * i for i in range(30)], [-7.0] * 12 + [-math.inf] * 6 + [-7.2] * 12),
            [12, 12],
        ),
    ],
)
def test_no_line_and_no_band_goes_through_a_gap(one: Chart, lengths: list[int]) -> None:
    assert lines_of(one) == lengths
    assert over_time(one, UTC).count('class="range"') == len(lengths)
    spec = specification(one, UTC)
    by_run = [sum(row["run"] == i for row in spec["data"]["values"]) for i in range(len(lengths))]
    assert by_run == lengths
    joined = [layer for layer in spec["layer"] if layer["mark"]["type"] in ("line", "area") and "data" not in layer]
    assert len(joined) == 2
    assert all(layer["encoding"]["detail"]["field"] == "run" for layer in joined)


def test_days_that_fill_stretches_unevenly_are_one_line_and_a_missing_week_is_none() -> None:
    """Of each stretch the last reading, as of a counter: a day apart, or two."""
    edges = [T0 + 1.33 * DAY_S * i for i in range(80)]
    times_s = sorted({T0 + DAY_S * math.floor((edge - T0) / DAY_S) for edge in edges})
    one = chart(times_s, [-7.0] * len(times_s), stretch_s=1.33 * DAY_S)
    assert lines_of(one) == [len(times_s)]
    some = [at_s for at_s in times_s if not T0 + 30 * DAY_S < at_s < T0 + 37 * DAY_S]
    assert len(lines_of(chart(some, [-7.0] * len(some), stretch_s=1.33 * DAY_S))) == 2


def test_a_single_reading_between_two_gaps_is_a_dot() -> None:
    times_s = [T0 + HOUR_S * i for i in [*range(10), 20, *range(30, 40)]]
    assert len(runs_of([(at_s, 0.0, 0.0, 0.0) for at_s in times_s])) == 3
    drawn = over_time(chart(times_s, [-7.0] * 21), UTC)
    assert drawn.count('class="dot"') == 1
    assert [row["alone"] for row in specification(chart(times_s, [-7.0] * 21), UTC)["data"]["values"]].count(True) == 1


@given(st.floats(-1e6, 1e6), st.floats(1e-4, 1e6))
def test_figures_of_an_axis_differ_and_lie_on_it(low: float, span: float) -> None:
    axis = axis_of(low, low + span)
    figures = [axis.figure(value, Tongue()) for value in axis.ticks]
    assert 3 <= len(figures) <= 8
    assert len(set(figures)) == len(figures)
    assert "-0" not in figures
    assert all(axis.low - 1e-6 * span <= value <= axis.high + 1e-6 * span for value in axis.ticks)
    step = axis.ticks[1] - axis.ticks[0]
    for figure, value, i in zip(figures, axis.ticks, range(8), strict=False):
        assert value == pytest.approx(axis.ticks[0] + i * step, abs=1e-3 * step), "they are evenly apart"
        assert float(figure) == pytest.approx(value, abs=1e-3 * step), "a figure is the value at which it stands"


@pytest.mark.parametrize("spread", [0.0, 0.004, 0.03, 4.0])
def test_both_drawings_have_the_same_figures(spread: float) -> None:
    """Three times 54.0 V said nothing of a supply that moves by hundredths."""
    volts = [54.0 + spread * i / 8 for i in range(9)]
    one = Chart("volts", "V", [T0 + 60 * i for i in range(9)], volts, volts, volts)
    plain = re.findall(r">([-\d.]+) V<", over_time(one, UTC))
    layers = specification(one, UTC)["layer"]
    [axis] = [layer["encoding"]["y"]["axis"] for layer in layers if layer["mark"]["type"] == "line"]
    assert plain == [f"{value:{axis['format']}}" for value in axis["values"]]
    assert len(set(plain)) == len(plain) >= 3


def test_a_decimal_comma_in_both() -> None:
    comma = Tongue("de", decimal=",")
    one = chart(*hourly(20))
    assert re.search(r">-7,\d+ dBm<", over_time(one, UTC, comma))
    assert "'.', ','" in json.dumps(specification(one, UTC, comma))


def told_in(one: Chart) -> tuple[str, str]:
    """The words of both drawings."""
    spec = specification(one, UTC)
    return str(over_time(one, UTC)), json.dumps([spec.get("title", {}).get("text"), spec["layer"]], ensure_ascii=False)


def test_both_limits_are_drawn_or_told_with_their_value() -> None:
    volts = [51.0 + 0.1 * (i % 5) for i in range(20)]
    one = Chart(
        "volts",
        "V",
        [T0 + 60 * i for i in range(20)],
        volts,
        volts,
        volts,
        [(50.0, say("limit")), (570.0, say("limit"))],
    )
    for told in told_in(one):
        assert "limit 50 V" in told
        assert "The limit of 570 V lies above this drawing." in told
    below = Chart("volts", "V", one.times_s, volts, volts, volts, [(44.0, say("limit")), (-9.5, say("limit"))])
    for told in told_in(below):
        assert "The limit of -9.5 V lies below this drawing." in told


def test_what_was_repaired_stands_in_words() -> None:
    one = chart(*hourly(40), repairs=[(T0 + 20 * HOUR_S, "jo: cleaned both ends"), (T0 - DAY_S, "jo: long ago")])
    for told in told_in(one):
        assert "1: " in told
        assert "jo: cleaned both ends" in told
        assert "long ago" not in told
    long = chart(*hourly(40), repairs=[(T0 + 20 * HOUR_S, "jo: " + "cleaned " * 40)])
    for told in told_in(long):
        assert told.count("cleaned") == 40, "whole, over several lines"


def test_an_empty_history_says_nothing_yet_and_has_no_axes() -> None:
    nothing = chart([T0 + 60 * i for i in range(20)], [NAN] * 20, limits=[(-19.5, say("limit"))])
    assert lay(nothing, UTC) is None
    plain, spec = str(over_time(nothing, UTC)), json.dumps(specification(nothing, UTC))
    assert "Nothing yet." in plain
    assert "Nothing yet." in spec
    assert "<svg" not in plain
    assert '"encoding"' not in spec


def test_the_forecast_stands_in_both() -> None:
    one = chart(*hourly(40), limits=[(-19.5, say("limit"))], baseline=-6.9, fan_months=(5.0, 9.0, 20.0))
    plain = str(over_time(one, UTC))
    assert 'class="fan"' in plain
    assert 'class="baseline-line"' in plain
    assert "#f0e2b0" in json.dumps(specification(one, UTC))
