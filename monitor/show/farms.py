"""All sites of a centre as one picture: which is silent, what stands where, which margin ends next anywhere."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from monitor.alarms.messages import title
from monitor.facts.words import say

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
    raised_s: float

    @property
    def title(self) -> str:
        """Its type as few words."""
        return title(self.type)


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


def compose(
    heard: Iterable[tuple[str, float | None, bool]],
    standing: Sequence[Standing],
    about: Mapping[str, Mapping[str, Any]],
    own: Sequence[Standing],
    at_s: float,
    version: str,
    timezone: str = "UTC",
) -> Farms:
    """The picture of many sites: (name, when heard, silent) of each, what stands, and what each says of itself."""
    mine: dict[str, list[Standing]] = {}
    for one in standing:
        mine.setdefault(one.site, []).append(one)
    farms = [_farm(name, heard_s, silent, mine.get(name, ()), about.get(name, {})) for name, heard_s, silent in heard]
    farms.sort(key=lambda one: (not one.silent, not one.silent_poles, _rank(one.worst), one.called))
    endings = [
        Ending(name, str(end["pole"]), str(end["words"]), end["months"])
        for name, told in about.items()
        for end in told.get("ends", ())
    ]
    endings.sort(key=lambda one: math.inf if one.months is None else one.months)
    ordered = sorted(standing, key=lambda one: (_rank(one.severity), one.raised_s))
    return Farms(at_s, version, tuple(farms), tuple(ordered), tuple(endings), tuple(own), timezone)


def _rank(severity: str) -> int:
    return _ORDER.index(severity) if severity in _ORDER else len(_ORDER)


def _farm(name: str, heard_s: float | None, silent: bool, mine: Sequence[Standing], told: Mapping[str, Any]) -> Farm:
    worst = min((one.severity for one in mine), key=_rank, default="")
    poles = tuple(one.resource for one in mine if one.type == "pole-silent")
    called = str(told.get("name") or name)
    return Farm(name, called, int(told.get("poles") or 0), heard_s, silent, worst, len(mine), poles)
