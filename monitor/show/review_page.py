"""The review of a month as HTML: one printable file of its own."""

from markupsafe import Markup

from monitor.facts.words import ENGLISH, Tongue
from monitor.show.month import Month
from monitor.show.rendering import HERE, environment


def paper(month: Month, tongue: Tongue = ENGLISH) -> str:
    """The whole document, with its style sheet and drawings, nothing from elsewhere."""
    style = Markup((HERE / "static" / "farpole.css").read_text(encoding="utf-8"))  # our own style sheet
    return environment(tongue).get_template("review_paper.html").render(month=month, style=style)
