"""The review of a month as HTML: within the pages, or as one printable file of its own."""

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, select_autoescape
from markupsafe import Markup

from monitor.show.month import Month

_HERE = Path(__file__).parent


def number(value: float | None, unit: str) -> str:
    """A figure with its unit; never a number for what was not seen.

    >>> number(-7.256, "dBm"), number(None, "V"), number(1780.2, "Wh")
    ('−7.3 dBm', '–', '1780 Wh')
    """
    if value is None:
        return "–"
    digits = 0 if abs(value) >= 1000 else 1 if abs(value) >= 1 else 2
    return f"{value:.{digits}f} {unit}".strip().replace("-", "−")


def paper(month: Month) -> str:
    """The whole document, with its style sheet and drawings, nothing from elsewhere."""
    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=select_autoescape(default=True),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["number"] = number
    style = Markup((_HERE / "static" / "farpole.css").read_text(encoding="utf-8"))  # our own style sheet
    return environment.get_template("review_paper.html").render(month=month, style=style)
