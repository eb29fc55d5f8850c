"""All sites of a centre as one picture: which is silent, what stands where, which margin ends next anywhere.

What a site says of itself is its own affair and may be anything: it is read field by field, and what is not right is
left out, so that no site keeps the others from being shown.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from monitor.alarms.inventory import INVENTORY
from monitor.alarms.messages import DRILL, title
from monitor.alarms.states import Operator
from monitor.facts.printable import one_line
from monitor.facts.words import say

MOST_NAME, MOST_WORDS, MOST_ENDS, MOST_POLES = 80, 400, 20, 100_000
"""What is shown of a site at most: characters of a name and of a text, margins that end, poles."""
_LAST_S = 2**32
_OPERATOR: Final = tuple(one.value for one in Operator)
_ORDER: Final = ("critical", "major", "minor", "warning", "indeterminate")


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that stands somewhere."""

    site: str
    resource: str
    type: str
    severity: str
    operator: str
    text: str
    raised_s: float | None
    """UTC seconds; None where its site says none that can be."""

    @property
    def title(self) -> str:
        """Its type as few words."""
        return title(self.type) if self.type in INVENTORY or self.type == DRILL else self.type


@dataclass(frozen=True, slots=True)
class Ending:
    """A margin that is going to end, and in how many months, where that is known."""

    site: str
    pole: str
    words: str
    months: float | None


@dataclass(frozen=True, slots=True)
class Farm:
    """One site: ``name`` in paths, ``called`` for people; ``heard_s`` None where it was never heard (UTC seconds)."""

    name: str
    called: str
    poles: int
    heard_s: float | None
    silent: bool
    worst: str
    alarms: int
    silent_poles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Farms:
    """Every site, those that need somebody first."""

    at_s: float
    version: str
    sites: tuple[Farm, ...]
    standing: tuple[Standing, ...]
    ending: tuple[Ending, ...]
    own: tuple[Standing, ...]
    """What stands for the centre itself."""
    timezone: str = "UTC"

    @property
    def headline(self) -> str:
        """The first thing to know."""
        silent = [one.called for one in self.sites if one.silent]
        poles = [f"{pole} ({one.called})" for one in self.sites for pole in one.silent_poles]
        if silent and poles:
            words = "Silent: {sites}. And poles: {poles}."
            return say(words, sites=_few(silent), poles=_few(poles))
        if silent:
            return say("Silent: {sites}.", sites=_few(silent))
        if poles:
            return say("Silent poles: {poles}.", poles=_few(poles))
        if self.standing:
            return say("All poles of all sites answer; {count} alarms stand.", count=len(self.standing))
        return say("All poles of all sites answer, and no alarm stands.")

    def json(self) -> dict[str, Any]:
        """As JSON."""
        return {**asdict(self), "headline": str(self.headline)}


def _few(names: Sequence[str]) -> str:
    shown = ", ".join(names[:5])
    return shown if len(names) <= 5 else say("{names} and {count} more", names=shown, count=len(names) - 5)


def told(*, site: str, resource: Any, type: Any, severity: Any, operator: Any, text: Any, raised_s: Any) -> Standing:
    """An alarm as its site tells it, whatever that is."""
    return Standing(
        site,
        _shown(resource, MOST_NAME),
        _shown(type, MOST_NAME),
        severity if severity in _ORDER else "indeterminate",
        operator if operator in _OPERATOR else Operator.NONE.value,
        _shown(text, MOST_WORDS),
        float(raised_s) if _number(raised_s) and 0 <= raised_s < _LAST_S else None,
    )


@dataclass(frozen=True, slots=True)
class _About:
    """What a site says of itself, as far as it can be."""

    name: str = ""
    poles: int = 0
    ends: tuple[Ending, ...] = ()

    @classmethod
    def of(cls, site: str, given: Any) -> "_About":
        if not isinstance(given, Mapping):
            return cls()
        told, ends = given.get("poles"), given.get("ends")
        poles = told if isinstance(told, int) and 0 <= told <= MOST_POLES else 0
        listed = [_ending(site, one) for one in ends[:MOST_ENDS]] if isinstance(ends, list) else []
        found = tuple(one for one in listed if one is not None)
        return cls(_shown(given.get("name"), MOST_NAME), poles, found)


def _ending(site: str, given: Any) -> Ending | None:
    if not isinstance(given, Mapping):
        return None
    pole, words, months = (given.get(name) for name in ("pole", "words", "months"))
    if not isinstance(pole, str) or not isinstance(words, str) or "/" in pole:
        return None
    if months is not None and not _number(months):
        return None
    return Ending(site, _shown(pole, MOST_NAME), _shown(words, MOST_WORDS), months)


def _shown(given: Any, most: int) -> str:
    return one_line(given, most) if isinstance(given, str) else ""


def _number(given: Any) -> bool:
    return isinstance(given, int | float) and math.isfinite(given)


def compose(
    heard: Iterable[tuple[str, float | None, bool]],
    standing: Sequence[Standing],
    about: Mapping[str, Any],
    own: Sequence[Standing],
    at_s: float,
    version: str,
    timezone: str = "UTC",
) -> Farms:
    """The picture of many sites: (name, when heard, silent) of each, what stands, and what each says of itself."""
    mine: dict[str, list[Standing]] = {}
    for one in standing:
        mine.setdefault(one.site, []).append(one)
    said = {name: _About.of(name, given) for name, given in about.items()}
    farms = [_farm(*one, mine.get(one[0], ()), said.get(one[0], _About())) for one in heard]
    farms.sort(key=lambda one: (not one.silent, not one.silent_poles, _rank(one.worst), one.called))
    endings = [end for one in said.values() for end in one.ends]
    endings.sort(key=lambda one: math.inf if one.months is None else one.months)
    ordered = sorted(standing, key=lambda one: (_rank(one.severity), one.raised_s or 0.0))
    return Farms(at_s, version, tuple(farms), tuple(ordered), tuple(endings), tuple(own), timezone)


def _rank(severity: str) -> int:
    return _ORDER.index(severity) if severity in _ORDER else len(_ORDER)


def _farm(name: str, heard_s: float | None, silent: bool, mine: Sequence[Standing], said: _About) -> Farm:
    worst = min((one.severity for one in mine), key=_rank, default="")
    poles = tuple(one.resource for one in mine if one.type == "pole-silent")
    return Farm(name, said.name or name, said.poles, heard_s, silent, worst, len(mine), poles)
