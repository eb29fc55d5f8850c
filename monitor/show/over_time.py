"""A chart as plain SVG, which needs nothing that is not there: it stands on pages and on paper without the extras."""

from datetime import datetime, tzinfo

from markupsafe import Markup

from monitor.facts.words import ENGLISH, Tongue, at
from monitor.show.chart import NOTHING_YET, Chart, Fan, Laid, Row, lay, note_lines
from monitor.show.drawing import line, tag, words_at

WIDTH, HEIGHT, FOOT, TOP, RIGHT = 640, 150, 22, 14, 8
NOTE_HEIGHT, CHARACTER = 15, 7
DAYS_S, MINUTES_S = 3 * 86_400.0, 300.0
"""A longer span is labelled with dates, a shorter one with seconds too."""


class _Plane:
    """Where times and values lie on the drawing."""

    def __init__(self, laid: Laid, left: float) -> None:
        self.left, self._laid = left, laid

    def x(self, at_s: float) -> float:
        """From the left edge."""
        laid = self._laid
        return self.left + (WIDTH - self.left - RIGHT) * (at_s - laid.from_s) / ((laid.to_s - laid.from_s) or 1)

    def y(self, value: float) -> float:
        """From the top edge."""
        axis = self._laid.axis
        return TOP + (HEIGHT - FOOT - TOP) * (axis.high - value) / (axis.high - axis.low)

    def points(self, some: list[tuple[float, float]]) -> str:
        """As SVG writes them."""
        return " ".join(f"{self.x(at_s):.1f},{self.y(value):.1f}" for at_s, value in some)


def over_time(chart: Chart, zone: tzinfo, tongue: Tongue = ENGLISH) -> Markup:
    """A quantity over time: its mean as a line, the range around it; where nothing was seen there is neither."""
    laid = lay(chart, zone)
    if laid is None:
        return tag("p", tongue.say(NOTHING_YET), class_="small")
    figures = [(value, f"{laid.axis.figure(value, tongue)} {chart.unit}") for value in laid.axis.ticks]
    plane = _Plane(laid, 12 + CHARACTER * max(len(words) for _, words in figures))
    parts = [tag("title", tongue.say(chart.title))]
    parts += _fan(laid.fan, plane) if laid.fan is not None else []
    parts += [part for run in laid.runs for part in _run(run, plane)]
    for level in laid.levels:
        y = plane.y(level.value)
        parts.append(line(plane.left, y, WIDTH - RIGHT, y, "limit-line" if level.is_limit else "baseline-line"))
        x, anchor = (plane.left + 4, "start") if level.at_left else (WIDTH - RIGHT - 4.0, "end")
        parts.append(words_at(x, y + (13 if level.under else -3), tongue.say(level.words), "small", anchor))
    parts += [words_at(plane.left - 6, plane.y(value) + 4, words, "small", "end") for value, words in figures]
    for at_s, number in laid.marks:
        x = plane.x(at_s)
        parts.append(line(x, TOP, x, HEIGHT - FOOT, "repair-line"))
        parts.append(words_at(x, TOP - 3, str(number), "small", "middle"))
    parts += _times(laid, plane, zone, tongue)
    notes = note_lines(laid.notes, tongue)
    parts += [words_at(0, HEIGHT + 8 + NOTE_HEIGHT * i, note, "small") for i, note in enumerate(notes)]
    height = HEIGHT + NOTE_HEIGHT * len(notes)
    return tag("svg", Markup("").join(parts), viewBox=f"0 0 {WIDTH} {height}", class_="over-time", role="img")


def _run(run: tuple[Row, ...], plane: _Plane) -> list[Markup]:
    """The band and the line of what was seen without a gap; a single point is a dot with its range."""
    if len(run) == 1:
        at_s, low, middle, high = run[0]
        x = plane.x(at_s)
        dot = tag("circle", cx=round(x, 1), cy=round(plane.y(middle), 1), r=1.6, class_="dot")
        return [line(x, plane.y(low), x, plane.y(high), "range-line"), dot]
    top = plane.points([(row[0], row[3]) for row in run])
    under = plane.points([(row[0], row[1]) for row in reversed(run)])
    mean = plane.points([(row[0], row[2]) for row in run])
    return [
        tag("polygon", points=f"{top} {under}", class_="range"),
        tag("polyline", points=mean, class_="mean"),
    ]


def _fan(fan: Fan, plane: _Plane) -> list[Markup]:
    """When the limit may be reached: early and late as an area, the median as a dashed line."""
    corners = [(fan.from_s, fan.value), (fan.early_s, fan.limit), (fan.late_s, fan.limit)]
    middle = [(fan.from_s, fan.value), (fan.middle_s, fan.limit)]
    return [
        tag("polygon", points=plane.points(corners), class_="fan"),
        tag("polyline", points=plane.points(middle), class_="fan-line"),
    ]


def _times(laid: Laid, plane: _Plane, zone: tzinfo, tongue: Tongue) -> list[Markup]:
    span_s = laid.to_s - laid.from_s
    style = "date" if span_s > DAYS_S else "brief" if span_s > MINUTES_S else "short"
    places = ((0.0, "start"), (0.5, "middle"), (1.0, "end")) if span_s else ((0.0, "start"),)
    found = []
    for share, anchor in places:
        at_s = laid.from_s + share * span_s
        words = tongue.say(at(datetime.fromtimestamp(at_s, zone), style))
        found.append(words_at(plane.x(at_s), HEIGHT - 6, words, "small", anchor))
    return found
