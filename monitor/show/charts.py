"""One definition of each chart, as a Vega-Lite specification in plain JSON: for the page and for paper alike.

A chart is a line of means with the range around it, its limits, its baseline, what was repaired, and, where a margin
has a forecast, the fan of the dates at which it may end. Nothing here is computed: only laid out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from itertools import pairwise
from typing import Any, Final

from monitor.facts.words import ENGLISH, Tongue, say

INK, FAINT, GRID, RANGE, FAN = "#161616", "#5c5c5c", "#eeeeee", "#e4e4e4", "#f0e2b0"
MUTE: Final = {"aria": False}
"""One picture has one name; its parts need none, and its figures stand in the table beside it."""
SCHEMA: Final = "https://vega.github.io/schema/vega-lite/v6.json"
MONTH_S: Final = 30.4375 * 86_400
_NEAR = 3.0
"""A limit farther from the readings than this many times their span is told in words, not drawn."""


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

    @property
    def rows(self) -> list[tuple[float, float, float, float]]:
        """Time, low, mean and high of what was seen; no light has no place on a scale and is left out."""
        columns = zip(self.times_s, self.lows, self.means, self.highs, strict=True)
        found = []
        for at_s, low, mean, high in columns:
            if math.isfinite(mean):
                found.append((at_s, low if math.isfinite(low) else mean, mean, high if math.isfinite(high) else mean))
        return found


def specification(
    chart: Chart, zone: tzinfo, tongue: Tongue = ENGLISH, width: int | str = "container"
) -> dict[str, Any]:
    """The chart for Vega-Lite. Times are the site's: its clock is drawn as if it were UTC, which no browser shifts."""
    rows, step_s = chart.rows, _gap_s(chart.times_s)
    data, before_s = [], None
    for at_s, low, mean, high in rows:
        if before_s is not None and at_s - before_s > step_s:
            data.append({"t": _local(before_s + 1, zone), "low": None, "mean": None, "high": None})
        data.append({"t": _local(at_s, zone), "low": low, "mean": mean, "high": high})
        before_s = at_s
    near = _near(chart, rows)
    x = {"field": "t", "type": "temporal", "scale": {"type": "utc"}, "axis": {"title": None}}
    scale = {"zero": False, "nice": True}
    y = {"type": "quantitative", "scale": scale, "axis": {"title": None}}
    span = {"x": x, "y": {**y, "field": "low"}, "y2": {"field": "high"}}
    middle = {"x": x, "y": {**y, "field": "mean"}}
    layers: list[dict[str, Any]] = [
        {"mark": {**MUTE, "type": "area", "color": RANGE}, "encoding": span},
        {"mark": {**MUTE, "type": "line", "color": INK, "strokeWidth": 1.4}, "encoding": middle},
    ]
    layers += [_level(value, words, INK, [6, 4], tongue) for value, words in near]
    if chart.baseline is not None:
        layers.append(_level(chart.baseline, say("baseline"), FAINT, [2, 3], tongue))
    layers += _repairs(chart, zone, tongue)
    if chart.fan_months is not None and rows and near:
        layers += _fan(rows[-1], near[0][0], chart.fan_months, zone, y)
    return {
        "$schema": SCHEMA,
        "description": tongue.say(chart.title),
        "width": width,
        "height": 150,
        "autosize": {"type": "fit", "contains": "padding"},
        "background": "white",
        "data": {"values": data},
        "layer": layers,
        "config": {
            "aria": False,
            "font": "sans-serif",
            "view": {"stroke": None},
            "axis": {
                "labelColor": INK,
                "titleColor": FAINT,
                "gridColor": "#eeeeee",
                "labelFontSize": 12,
                "tickCount": 5,
            },
        },
    }


def _gap_s(times_s: Sequence[float]) -> float:
    """From here on two readings are not joined: a line over a gap would claim what nobody saw."""
    steps = sorted(b - a for a, b in pairwise(times_s))
    return 3.5 * steps[len(steps) // 2] if steps else math.inf


def _local(at_s: float, zone: tzinfo) -> str:
    return datetime.fromtimestamp(at_s, zone).replace(tzinfo=UTC).isoformat(timespec="seconds")


def _near(chart: Chart, rows: Sequence[tuple[float, float, float, float]]) -> list[tuple[float, str]]:
    if not rows:
        return []
    low, high = min(row[1] for row in rows), max(row[3] for row in rows)
    reach = _NEAR * (high - low) + 2
    fan = chart.fan_months is not None
    return [(v, words) for v, words in chart.limits if math.isfinite(v) and (fan or low - reach <= v <= high + reach)]


def _level(value: float, words: str, color: str, dash: list[int], tongue: Tongue) -> dict[str, Any]:
    at = {"datum": value, "type": "quantitative"}
    rule = {"mark": {**MUTE, "type": "rule", "color": color, "strokeDash": dash}, "encoding": {"y": at}}
    label = {
        **MUTE,
        "type": "text",
        "align": "left",
        "baseline": "bottom",
        "dx": 4,
        "dy": -3,
        "color": FAINT,
        "fontSize": 11,
    }
    text = {"mark": {**label, "text": tongue.word(words)}, "encoding": {"y": at, "x": {"value": 0}}}
    return {"data": {"values": [{}]}, "layer": [rule, text]}


def _repairs(chart: Chart, zone: tzinfo, tongue: Tongue) -> list[dict[str, Any]]:
    if not chart.repairs:
        return []
    values = [{"t": _local(at_s, zone), "what": tongue.say(words)[:60]} for at_s, words in chart.repairs]
    x = {"field": "t", "type": "temporal", "scale": {"type": "utc"}}
    mark = {**MUTE, "type": "rule", "color": FAINT, "strokeWidth": 1, "tooltip": {"content": "data"}}
    head = {**MUTE, "type": "point", "shape": "triangle-down", "filled": True, "color": INK, "size": 60}
    top = {"x": x, "y": {"value": 0}, "tooltip": {"field": "what", "type": "nominal"}}
    return [
        {"data": {"values": values}, "layer": [{"mark": mark, "encoding": {"x": x}}, {"mark": head, "encoding": top}]}
    ]


def _fan(
    last: tuple[float, float, float, float], limit: float, months: tuple[float, float, float], zone: tzinfo, y: Any
) -> list[dict[str, Any]]:
    """From the last value to the limit: early and late, and the median between them."""
    early, middle, late = (last[0] + one * MONTH_S for one in months)
    x = {"field": "t", "type": "temporal", "scale": {"type": "utc"}}
    ends = [(last[0], last[2], last[2]), (early, limit, _between(last, limit, early, late)), (late, limit, limit)]
    values = [{"t": _local(at_s, zone), "a": a, "b": b} for at_s, a, b in ends]
    line = [{"t": _local(last[0], zone), "m": last[2]}, {"t": _local(middle, zone), "m": limit}]
    area = {**MUTE, "type": "area", "color": FAN, "opacity": 0.8}
    return [
        {
            "data": {"values": values},
            "mark": area,
            "encoding": {"x": x, "y": {**y, "field": "a"}, "y2": {"field": "b"}},
        },
        {
            "data": {"values": line},
            "mark": {**MUTE, "type": "line", "color": INK, "strokeDash": [3, 3]},
            "encoding": {"x": x, "y": {**y, "field": "m"}},
        },
    ]


def _between(last: tuple[float, float, float, float], limit: float, early: float, late: float) -> float:
    share = (early - last[0]) / (late - last[0]) if late > last[0] else 1.0
    return last[2] + share * (limit - last[2])
