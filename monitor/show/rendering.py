"""Templates → HTML in one language: all that is written is escaped and printable, sentences in the reader's words."""

from collections.abc import Iterable
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, FileSystemLoader, pass_context, select_autoescape
from jinja2.runtime import Context

from monitor.alarms.messages import title
from monitor.facts.printable import lines
from monitor.facts.words import Moment, Said, Tongue, listed, say
from monitor.show import drawing
from monitor.show.over_time import over_time

HERE = Path(__file__).parent


def number(value: float | None, unit: str) -> str:
    """A figure with its unit; never a number for what was not seen.

    >>> number(-7.256, "dBm"), number(None, "V"), number(1780.2, "Wh")
    ('−7.3 dBm', '–', '1780 Wh')
    """
    if value is None:
        return "–"
    digits = 0 if abs(value) >= 1000 else 1 if abs(value) >= 1 else 2
    return f"{value:.{digits}f} {unit}".strip().replace("-", "−")


@pass_context
def _moment(context: Context, at_s: float, style: str = "short") -> Moment:
    """A time as people at the site read it."""
    return Moment(datetime.fromtimestamp(at_s, ZoneInfo(context["picture"].timezone)), style)


def _with_spaces(text: str, by: str = " ") -> str:
    """``not seen`` → ``not-seen``, as a class name."""
    return text.replace("-", " ").replace(" ", by)


def _listed(parts: Iterable[str], between: str = ", ") -> Said:
    return listed(parts, between)


@lru_cache(maxsize=8)
def environment(tongue: Tongue) -> Environment:
    """Templates of one language."""

    def shown(value: Any) -> Any:
        text = tongue.say(value) if isinstance(value, Said | Moment) else value
        return lines(text) if isinstance(text, str) and not hasattr(text, "__html__") else text

    found = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=select_autoescape(default=True),
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=shown,
    )
    found.globals |= {"say": say, "lang": tongue.name.replace("_", "-")}
    found.filters |= {
        "alarm": title,
        "drawn": lambda chart, timezone: over_time(chart, ZoneInfo(timezone), tongue),
        "join": _listed,
        "local": _moment,
        "moment": _moment,
        "number": lambda value, unit: number(value, unit).replace(".", tongue.decimal),
        "ruler": lambda margin: drawing.ruler(margin, tongue),
        "said": tongue.word,
        "word": say,
        "words": _with_spaces,
    }
    return found
