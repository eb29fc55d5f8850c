"""One definition of each chart, as a Vega-Lite specification in plain JSON: for the page and for paper alike.

What stands where is laid out in ``chart.py``, as for the plain drawing.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any, Final

from monitor.facts.words import ENGLISH, Tongue
from monitor.show.chart import NOTHING_YET, Chart, Fan, Laid, Level, lay, note_lines

INK, FAINT, RANGE, FAN = "#161616", "#5c5c5c", "#e4e4e4", "#f0e2b0"
MUTE: Final = {"aria": False}
"""One picture has one name; its parts need none, and its figures stand in the table beside it."""
SCHEMA: Final = "https://vega.github.io/schema/vega-lite/v6.json"
HEIGHT, NOTE_HEIGHT = 150, 15
_SMALL: Final = {**MUTE, "type": "text", "color": FAINT, "fontSize": 11}
_TIME: Final = {"type": "temporal", "scale": {"type": "utc"}, "axis": {"title": None}}


def specification(
    chart: Chart, zone: tzinfo, tongue: Tongue = ENGLISH, width: int | str = "container"
) -> dict[str, Any]:
    """The chart for Vega-Lite. Times are the site's: its clock is drawn as if it were UTC, which no browser shifts."""
    laid = lay(chart, zone)
    head = {
        "$schema": SCHEMA,
        "description": tongue.say(chart.title),
        "width": width,
        "autosize": {"type": "fit", "contains": "padding"},
        "background": "white",
    }
    if laid is None:  # no axes around nothing
        words = {"data": {"values": [{}]}, "mark": {**_SMALL, "text": tongue.say(NOTHING_YET)}}
        return {**head, "height": NOTE_HEIGHT, "data": {"values": []}, "layer": [words], "config": _CONFIG}
    notes = note_lines(laid.notes, tongue)
    title = {"text": notes, "orient": "bottom", "anchor": "start", "fontWeight": "normal", "fontSize": 11}
    return {
        **head,
        "height": HEIGHT + NOTE_HEIGHT * len(notes),
        **({"title": {**title, "color": FAINT, "offset": 8}} if notes else {}),
        "data": {"values": _data(laid, zone)},
        "layer": _layers(laid, zone, tongue),
        "config": _CONFIG,
    }


_CONFIG: Final = {
    "aria": False,
    "font": "sans-serif",
    "view": {"stroke": None},
    "axis": {"labelColor": INK, "titleColor": FAINT, "gridColor": "#eeeeee", "labelFontSize": 12, "tickCount": 5},
}


def _data(laid: Laid, zone: tzinfo) -> list[dict[str, Any]]:
    return [
        {"t": _local(at_s, zone), "low": low, "mean": mean, "high": high, "run": number, "alone": len(run) == 1}
        for number, run in enumerate(laid.runs)
        for at_s, low, mean, high in run
    ]


def _layers(laid: Laid, zone: tzinfo, tongue: Tongue) -> list[dict[str, Any]]:
    """Readings, run by run, so that no line and no band goes through a gap; then levels, repairs and the forecast."""
    axis = laid.axis
    labels = {"format": f".{axis.digits}f"}
    if tongue.decimal != ".":
        labels = {"labelExpr": f"replace(format(datum.value, '.{axis.digits}f'), '.', '{tongue.decimal}')"}
    y = {
        "type": "quantitative",
        "scale": {"domain": [axis.low, axis.high], "zero": False, "nice": False},
        "axis": {"title": None, "values": list(axis.ticks), **labels},
    }
    x, run = {"field": "t", **_TIME}, {"field": "run", "type": "nominal"}
    span = {"x": x, "y": {**y, "field": "low"}, "y2": {"field": "high"}}
    middle = {"x": x, "y": {**y, "field": "mean"}}
    alone = [{"filter": "datum.alone"}]
    return [
        *(_fan(laid.fan, zone, y) if laid.fan is not None else []),
        {"mark": {**MUTE, "type": "area", "color": RANGE}, "encoding": {**span, "detail": run}},
        {"mark": {**MUTE, "type": "rule", "color": RANGE, "strokeWidth": 2}, "encoding": span, "transform": alone},
        {"mark": {**MUTE, "type": "line", "color": INK, "strokeWidth": 1.4}, "encoding": {**middle, "detail": run}},
        {
            "mark": {**MUTE, "type": "point", "filled": True, "color": INK, "size": 9, "opacity": 1},
            "encoding": middle,
            "transform": alone,
        },
        *(_level(one, tongue) for one in laid.levels),
        *_repairs(laid.marks, zone),
    ]


def _local(at_s: float, zone: tzinfo) -> str:
    return datetime.fromtimestamp(at_s, zone).replace(tzinfo=UTC).isoformat(timespec="seconds")


def _level(one: Level, tongue: Tongue) -> dict[str, Any]:
    at = {"datum": one.value, "type": "quantitative"}
    color, dash = (INK, [6, 4]) if one.is_limit else (FAINT, [2, 3])
    rule = {"mark": {**MUTE, "type": "rule", "color": color, "strokeDash": dash}, "encoding": {"y": at}}
    side = {"align": "left", "dx": 4} if one.at_left else {"align": "right", "dx": -4}
    height = {"baseline": "top", "dy": 3} if one.under else {"baseline": "bottom", "dy": -3}
    label = {**_SMALL, **side, **height, "text": tongue.say(one.words)}
    x = {"value": 0 if one.at_left else "width"}
    return {"data": {"values": [{}]}, "layer": [rule, {"mark": label, "encoding": {"y": at, "x": x}}]}


def _repairs(marks: Sequence[tuple[float, int]], zone: tzinfo) -> list[dict[str, Any]]:
    """Each a line with its number; what was done stands in the notes beneath."""
    if not marks:
        return []
    values = [{"t": _local(at_s, zone), "number": str(number)} for at_s, number in marks]
    x = {"field": "t", "type": "temporal", "scale": {"type": "utc"}}
    rule = {"mark": {**MUTE, "type": "rule", "color": FAINT, "strokeWidth": 1}, "encoding": {"x": x}}
    text = {"field": "number", "type": "nominal"}
    number = {"mark": {**_SMALL, "dy": -6}, "encoding": {"x": x, "y": {"value": 0}, "text": text}}
    return [{"data": {"values": values}, "layer": [rule, number]}]


def _fan(fan: Fan, zone: tzinfo, y: dict[str, Any]) -> list[dict[str, Any]]:
    """From the last value to the limit: early and late, and the median between them."""
    x = {"field": "t", "type": "temporal", "scale": {"type": "utc"}}
    ends = [
        (fan.from_s, fan.value, fan.value),
        (fan.early_s, fan.limit, fan.at_early),
        (fan.late_s, fan.limit, fan.limit),
    ]
    values = [{"t": _local(at_s, zone), "a": a, "b": b} for at_s, a, b in ends]
    line = [{"t": _local(fan.from_s, zone), "m": fan.value}, {"t": _local(fan.middle_s, zone), "m": fan.limit}]
    area = {"x": x, "y": {**y, "field": "a"}, "y2": {"field": "b"}}
    return [
        {
            "data": {"values": values},
            "mark": {**MUTE, "type": "area", "color": FAN, "opacity": 0.8},
            "encoding": area,
        },
        {
            "data": {"values": line},
            "mark": {**MUTE, "type": "line", "color": INK, "strokeDash": [3, 3]},
            "encoding": {"x": x, "y": {**y, "field": "m"}},
        },
    ]
