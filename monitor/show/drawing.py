"""Drawings as SVG: the ruler of a margin, the single-line strip of a site.

Plain ink lines; colours come from the style sheet by class and only underline. All text is escaped.
"""

import math
from dataclasses import dataclass

from markupsafe import Markup

from monitor.facts.words import ENGLISH, Tongue, say
from monitor.show.views import MarginView, Picture, PlaceView

_TOP, _LEFT = 34, 64
STANDING_CLASS = {"inside": "inside", "close to limit": "close", "past limit": "past", "no value": "none"}


def tag(name: str, text: str = "", **attributes: object) -> Markup:
    """An element; text and attributes are escaped."""
    inner = Markup("").join(
        Markup(' {}="{}"').format(key.rstrip("_").replace("_", "-"), value) for key, value in attributes.items()
    )
    return Markup("<{0}{1}>{2}</{0}>").format(Markup(name), inner, text)


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> Markup:
    """A line of a class of the style sheet."""
    return tag("line", x1=round(x1, 1), y1=round(y1, 1), x2=round(x2, 1), y2=round(y2, 1), class_=kind)


def words_at(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> Markup:
    """Words at a place."""
    return tag("text", words, x=round(x, 1), y=round(y, 1), class_=kind, text_anchor=anchor)


def ruler_marks(margin: MarginView, x: float, y: float, width: float) -> Markup:
    """A ruler: a line, each limit as a bar, what the plan expects as a thicker stretch, the value as a tick."""
    known = [v for v in (margin.low, margin.high, *(margin.expected or ())) if v is not None]
    if margin.low is None:
        known.append(0.0)
    if margin.value is not None and math.isfinite(margin.value):
        known.append(margin.value)
    low, high = min(known), max(known)
    pad = 0.08 * (high - low) or 1.0
    low, high = low - pad, high + pad

    def at(value: float) -> float:
        share: float = (min(max(value, low), high) - low) / (high - low)
        return x + width * share

    parts = [line(x, y, x + width, y, "rule")]
    if margin.expected:
        parts.append(line(at(margin.expected[0]), y, at(margin.expected[1]), y, "expected"))
    parts += [line(at(v), y - 6, at(v), y + 6, "limit") for v in (margin.low, margin.high) if v is not None]
    if margin.value is not None:
        parts.append(line(at(margin.value), y - 9, at(margin.value), y + 9, f"tick {STANDING_CLASS[margin.standing]}"))
    return Markup("").join(parts)


def ruler(margin: MarginView, tongue: Tongue = ENGLISH) -> Markup:
    """One ruler as a picture of its own; the words beside it on the page say the same."""
    said = f"{tongue.word(margin.text)}, {tongue.word(margin.standing)}"
    inside = Markup("{}{}").format(tag("title", said), ruler_marks(margin, 4, 12, 152))
    return tag("svg", inside, viewBox="0 0 160 24", class_="ruler", role="img", aria_label=said)


@dataclass(frozen=True)
class _Spot:
    place: PlaceView
    row: int
    metres: float
    above: str


@dataclass(frozen=True)
class _Sheet:
    """How a strip is laid out: on a narrow one every pole has a row of its own, its words below the line."""

    width: int
    narrow: bool
    row_height: float
    metres_to_x: float
    rows: int
    tongue: Tongue
    base: str = ""

    def x(self, metres: float) -> float:
        return _LEFT + metres * self.metres_to_x

    def y(self, row: int) -> float:
        return _TOP + 40 + row * self.row_height


def _spots(picture: Picture, narrow: bool) -> list[_Spot]:
    """Row and metres of each pole: a run goes on in its row, every other branch begins a row of its own."""
    spots: dict[str, _Spot] = {}
    last_of_row: dict[int, str] = {}
    radios = {load.name: pole.name for pole in picture.poles for load in pole.loads}
    waiting = list(picture.poles)
    while waiting:
        reached = {picture.headend.name, *spots}
        pole = next((p for p in waiting if _above(p, radios) in reached), waiting[0])
        waiting.remove(pole)
        above = _above(pole, radios)
        start = spots.get(above)
        metres = (start.metres if start else 0.0) + (pole.metres if pole.metres is not None else 150.0)
        goes_on = not narrow and start is not None and pole.metres is not None and last_of_row.get(start.row) == above
        row = start.row if goes_on and start else len({spot.row for spot in spots.values()})
        spots[pole.name] = _Spot(pole, row, metres, above)
        last_of_row[row] = pole.name
    return list(spots.values())


def _above(pole: PlaceView, radios: dict[str, str]) -> str:
    return radios.get(pole.above.removeprefix("radio "), "") if pole.above.startswith("radio ") else pole.above


def strip(picture: Picture, width: int, tongue: Tongue = ENGLISH, base: str = "") -> Markup:
    """The site as a single-line strip: x is metres of cable from the head-end. ``base`` begins the poles' links."""
    narrow = width < 600
    spots = _spots(picture, narrow)
    most_m = max(spot.metres for spot in spots)
    rows = 1 + max(spot.row for spot in spots)
    scale = (width - _LEFT - (24 if narrow else 78)) / most_m
    sheet = _Sheet(width, narrow, 86 if narrow else 112, scale, rows, tongue, base)
    where: dict[str, tuple[float, float]] = {picture.headend.name: (_LEFT, sheet.y(0))}
    where |= {spot.place.name: (sheet.x(spot.metres), sheet.y(spot.row)) for spot in spots}
    fed = [where[spot.place.name][1] for spot in spots if spot.above == picture.headend.name]
    title = say("Single-line strip of {site}", site=picture.site)
    parts = [tag("title", tongue.say(title)), *_scale_marks(most_m, sheet)]
    parts.append(line(_LEFT, sheet.y(0) - 14, _LEFT, max(fed, default=sheet.y(0)) + 14, "bus"))
    parts.append(words_at(_LEFT - 8, sheet.y(0) + 5, picture.headend.name, "place", "end"))
    lines = [_way(spot, where, picture.headend.name, tongue) for spot in spots]
    words = [_spot_words(spot, where, sheet) for spot in spots]
    height = _TOP + rows * sheet.row_height + (10 if narrow else 0)
    inside = Markup("").join([*parts, *lines, *words])
    # a group, not an image: the poles in it are links
    return tag("svg", inside, viewBox=f"0 0 {width} {height}", class_="strip", role="group")


def _scale_marks(most_m: float, sheet: _Sheet) -> list[Markup]:
    most_marks = sheet.width / 110
    steps = (50, 100, 200, 250, 500, 1000, 2000, 5000, 10_000, 50_000)
    step = next((s for s in steps if most_m / s <= most_marks), steps[-1])
    marks = [line(_LEFT, 16, sheet.x(most_m), 16, "rule")]
    for metres in range(0, int(most_m) + 1, step):
        x = sheet.x(metres)
        marks += [line(x, 12, x, 20, "rule"), words_at(x, 10, f"{metres} m", "small", "middle")]
    return marks


def _way(spot: _Spot, where: dict[str, tuple[float, float]], headend: str, tongue: Tongue) -> Markup:
    """The run or the radio path that reaches a pole."""
    x, y = where[spot.place.name]
    x0, y0 = where.get(spot.above, where[headend])
    kinds = [("radio", 0.0)] if spot.place.metres is None else [("fibre", -2.0), ("copper", 3.0)]
    down = x0 - 52 if spot.above != headend else x0
    parts = []
    for kind, dy in kinds:
        if y0 != y and spot.above != headend:
            parts += [line(x0 - 8, y0 + dy, down, y0 + 14, kind), line(down + dy, y0 + 14, down + dy, y + dy, kind)]
        parts.append(line(down + dy if y0 != y and spot.above != headend else x0, y + dy, x - 8, y + dy, kind))
    if spot.place.metres is None:
        parts.append(words_at((down + x) / 2, y - 8, tongue.say(say("radio")), "small", "middle"))
    return Markup("").join(parts)


def _spot_words(spot: _Spot, where: dict[str, tuple[float, float]], sheet: _Sheet) -> Markup:
    place, (x, y) = spot.place, where[spot.place.name]
    kind = place.state.replace(" ", "-")
    parts = [tag("circle", cx=round(x, 1), cy=round(y, 1), r=8, class_=f"pole {kind}")]
    at, anchor = (_LEFT + 12, "start") if sheet.narrow else (x, "middle")
    if sheet.narrow:
        name = tag("a", tag("tspan", place.name, class_="place"), href=f"{sheet.base}/pole/{place.name}")
        state = tag("tspan", sheet.tongue.word(place.state), dx=9, class_=f"word {kind}")
        parts.append(words_at(at, y + 26, Markup("").join([name, state])))
    else:
        name = words_at(at, y + 30, place.name, "place", anchor)
        parts.append(tag("a", name, href=f"{sheet.base}/pole/{place.name}"))
        parts.append(words_at(at, y + 44, sheet.tongue.word(place.state), f"word {kind}", anchor))
    return Markup("").join(parts + _margins(place, x, y, sheet))


def _margins(place: PlaceView, x: float, y: float, sheet: _Sheet) -> list[Markup]:
    """The thinnest margin of light and of volts, each as a ruler with its number."""
    parts: list[Markup] = []
    spots = ((_LEFT + 12, y + 44), (_LEFT + 142, y + 44)) if sheet.narrow else ((x - 28, y - 24), (x - 28, y + 60))
    for (quantity, unit), (rx, ry) in zip((("rx_dbm", "dB"), ("input_volts", "V")), spots, strict=True):
        known = [m for m in place.margins if m.quantity == quantity and m.margin is not None]
        if not known or place.state in ("silent", "not seen"):
            continue
        thin = min(known, key=lambda m: m.margin if m.margin is not None else math.inf)
        number = sheet.tongue.say(say("{margin:.1f} {unit}", margin=thin.margin, unit=unit))
        parts.append(ruler_marks(thin, rx, ry, 56))
        parts.append(words_at(rx + 62, ry + 4, number, f"small {STANDING_CLASS[thin.standing]}"))
    return parts
