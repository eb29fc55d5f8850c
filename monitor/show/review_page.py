"""The review of a month and the acceptance sheet as HTML: each one printable file of its own."""

from markupsafe import Markup

from monitor.facts.words import ENGLISH, Tongue
from monitor.show.month import Month
from monitor.show.rendering import HERE, environment
from monitor.show.turnup import Sheet, step_words


def sheet_paper(sheet: Sheet, tongue: Tongue = ENGLISH, served: bool = False) -> str:
    """The acceptance sheet of a pole, as one printable file; ``served`` by the page it takes the page's style sheet."""
    style = Markup("" if served else (HERE / "static" / "farpole.css").read_text(encoding="utf-8"))  # our own
    steps = [step_words(one) for one in sheet.day.steps]
    return environment(tongue).get_template("turnup_paper.html").render(sheet=sheet, steps=steps, style=style)


def paper(month: Month, tongue: Tongue = ENGLISH) -> str:
    """The whole document, with its style sheet and drawings, nothing from elsewhere."""
    style = Markup((HERE / "static" / "farpole.css").read_text(encoding="utf-8"))  # our own style sheet
    return environment(tongue).get_template("review_paper.html").render(month=month, style=style)
