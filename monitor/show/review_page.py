"""The review of a month and the acceptance sheet as HTML: each one printable file of its own."""

from dataclasses import replace
from zoneinfo import ZoneInfo

from markupsafe import Markup

from monitor.facts.words import ENGLISH, Tongue
from monitor.show.charts import specification
from monitor.show.charts_print import svgs
from monitor.show.month import Month
from monitor.show.rendering import HERE, environment
from monitor.show.turnup import Sheet, step_words
from monitor.show.year import Year


def sheet_paper(sheet: Sheet, tongue: Tongue = ENGLISH, served: bool = False) -> str:
    """The acceptance sheet of a pole, as one printable file; ``served`` by the page it takes the page's style sheet."""
    style = Markup("" if served else (HERE / "static" / "farpole.css").read_text(encoding="utf-8"))  # our own
    steps = [step_words(one) for one in sheet.day.steps]
    return environment(tongue).get_template("turnup_paper.html").render(sheet=sheet, steps=steps, style=style)


def paper(month: Month, tongue: Tongue = ENGLISH) -> str:
    """The whole document, with its style sheet and drawings, nothing from elsewhere."""
    style = Markup((HERE / "static" / "farpole.css").read_text(encoding="utf-8"))  # our own style sheet
    return environment(tongue).get_template("review_paper.html").render(month=month, style=style)


def year_paper(year: Year, tongue: Tongue = ENGLISH) -> str:
    """A year as one printable file."""
    style = Markup((HERE / "static" / "farpole.css").read_text(encoding="utf-8"))  # our own style sheet
    return environment(tongue).get_template("year_paper.html").render(year=year, style=style)


def sharpened(month: Month, tongue: Tongue = ENGLISH) -> Month:
    """The month with its plain drawings replaced by charts, where what draws them is installed.

    Each takes some 25 ms in a process of its own, which ends at once.
    """
    zone = ZoneInfo(month.timezone)
    charts = [s.chart for s in month.series if s.chart is not None]
    drawn = iter(svgs([specification(one, zone, tongue, PAPER_WIDTH) for one in charts]))
    rows = [replace(s, drawing=next(drawn, s.drawing)) if s.chart is not None else s for s in month.series]
    return replace(month, series=tuple(rows))


PAPER_WIDTH = 640
