"""Sentences that can be said in any language: English text that still knows its pattern and its values.

A sentence is made once, where something is judged, and may be kept for years; who reads it, and in which language, is
known only when it is shown or sent. So it travels as what it is in English, and as what it was made from.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from string import Formatter
from typing import Any, Final, Self

_STYLES: Final = {
    "time": "%a %d %b %H:%M:%S (UTC%z)",
    "short": "%d %b %H:%M:%S",
    "brief": "%d %b %H:%M",
    "minute": "%d %b %Y %H:%M",
    "date": "%-d %b %Y",
    "month": "%B %Y",
}


@dataclass(frozen=True, slots=True)
class Moment:
    """A time within a sentence, as the site's clocks show it, in one of the styles above."""

    local: datetime
    style: str = "time"

    def __str__(self) -> str:
        return self.local.strftime(_STYLES[self.style])


class Said(str):
    """English text that knows its pattern (the message id of the catalogue) and the values in it."""

    pattern: str
    values: Mapping[str, Any]

    def __new__(cls, pattern: str, values: Mapping[str, Any]) -> Self:
        """The English text of a pattern with its values in place."""
        made = super().__new__(cls, pattern.format(**values) if values else pattern)
        made.pattern, made.values = pattern, values
        return made

    def __deepcopy__(self, memo: object) -> Self:
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        return Said, (self.pattern, self.values)


def say(pattern: str, /, **values: Any) -> Said:
    """A sentence: its English pattern, which stands in the catalogue, and its values.

    >>> text = say("{load}: it draws {watts:.1f} W", load="gate", watts=4.25)
    >>> text, text.pattern
    ('gate: it draws 4.2 W', '{load}: it draws {watts:.1f} W')
    """
    return Said(pattern, values)


def listed(parts: Iterable[str], between: str = "; ") -> Said:
    """Sentences in a row.

    >>> listed(["one", say("two")])
    'one; two'
    """
    row = list(parts)
    return Said(between.join(f"{{p{i}}}" for i in range(len(row))), {f"p{i}": part for i, part in enumerate(row)})


def at(local: datetime, style: str = "time") -> Said:
    """A time that stands alone, as a sentence."""
    return say("{at}", at=Moment(local, style))


@dataclass(frozen=True, slots=True)
class Tongue:
    """One language: its catalogue and how it writes numbers and times. Without arguments it is English."""

    name: str = "en"
    translate: Callable[[str], str] = str
    decimal: str = "."
    local: Callable[[Moment], str] = str

    def say(self, text: object) -> str:
        """A text in this language; one that is no sentence of the catalogue (a name, a person's note) stays.

        >>> german = Tongue("de", {"{v:.1f} V too low": "{v:.1f} V zu wenig"}.__getitem__, ",")
        >>> german.say(say("{v:.1f} V too low", v=43.5))
        '43,5 V zu wenig'
        """
        if isinstance(text, Moment):
            return self.local(text)
        if not isinstance(text, Said):
            return str(text)
        pattern = self.translate(text.pattern) if text.pattern else ""  # gettext's entry "" is its header
        return _Values(self).vformat(pattern, (), text.values) if text.values else pattern

    def word(self, text: object) -> str:
        """A word of a fixed set (a severity, a state), by its own entry in the catalogue."""
        return self.say(text) if isinstance(text, Said) else self.translate(str(text)) if text else ""


class _Values(Formatter):
    def __init__(self, tongue: Tongue) -> None:
        self._tongue = tongue

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, int | float) and not isinstance(value, bool):
            return format(value, format_spec).replace(".", self._tongue.decimal)
        return self._tongue.say(value)


ENGLISH: Final = Tongue()


def kept(value: Any) -> Any:
    """The same with sentences in a form that JSON carries and ``revived`` reads back."""
    if isinstance(value, Said):
        return {"say": value.pattern, "with": {name: kept(one) for name, one in value.values.items()}}
    if isinstance(value, Moment):
        return {"at": value.local.isoformat(), "style": value.style}
    if isinstance(value, dict):
        return {name: kept(one) for name, one in value.items()}
    return [kept(one) for one in value] if isinstance(value, list | tuple) else value


def revived(value: Any) -> Any:
    """What ``kept`` was given, with lists in the place of tuples.

    >>> text = say("{n} loads at {pole}", n=2, pole="creek")
    >>> revived(kept(text)) == text, revived(kept(text)).values["n"]
    (True, 2)
    """
    if isinstance(value, dict):
        if value.keys() == {"say", "with"}:
            return Said(value["say"], {name: revived(one) for name, one in value["with"].items()})
        if value.keys() == {"at", "style"}:
            return Moment(datetime.fromisoformat(value["at"]), value["style"])
        return {name: revived(one) for name, one in value.items()}
    return [revived(one) for one in value] if isinstance(value, list) else value
