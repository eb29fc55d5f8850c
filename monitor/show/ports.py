"""What the page, the terminal's commands and the metrics need from the running daemon, which fills it."""

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

from monitor.budgets.expected import SiteBudget
from monitor.facts.words import Tongue
from monitor.show.chart import Chart
from monitor.show.month import Month
from monitor.show.standing import Standing
from monitor.show.turnup import Sheet
from monitor.show.views import AlarmView, Picture
from monitor.show.year import Year

UPLINK: Final = "uplink_percent"
"""Stands for a quantity: what comes from a pole, as a share of its uplink; made from counters when it is drawn."""
SPANS_S: Final = {"day": 86_400.0, "week": 7 * 86_400.0, "year": 430 * 86_400.0}
"""Ranges of charts; the longest is what a year and its season before need."""


class Refused(ValueError):
    """An act that cannot be done; the message says why."""


@dataclass(frozen=True, slots=True)
class Line:
    """A quantity over time in equal stretches (UTC seconds); NaN where nothing was seen."""

    times_s: Sequence[float]
    lows: Sequence[float]
    means: Sequence[float]
    highs: Sequence[float]
    missed: int
    resolution_s: float
    latest_resolution_s: float


@dataclass(frozen=True, slots=True)
class PortSeen:
    """One port of a switch: what the plan has there, what was seen, and what is not as planned."""

    port: str
    planned: str
    seen: str
    wrong: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlaceSeen:
    """One place of the last audit; ``at_s`` is None where its switch has not been read yet."""

    place: str
    at_s: float | None
    next_to: str
    ports: tuple[PortSeen, ...]
    wrong: tuple[str, ...]

    @property
    def differing(self) -> int:
        """How much is not as planned."""
        return len(self.wrong) + sum(len(one.wrong) for one in self.ports)


@dataclass(frozen=True, slots=True)
class Planned:
    """The plan in force: its budgets, in which units lengths are shown, and its file."""

    budget: SiteBudget
    imperial: bool
    file: str


class AtPole(Protocol):
    """What somebody who stands at a pole needs."""

    def begin(self, pole: str) -> None:
        """Read it each second, for ten minutes from now. Raises Refused."""
        ...

    def look(self, pole: str) -> Standing:
        """How it stands now."""
        ...

    async def stamp(self, pole: str, which: str, who: str) -> None:
        """Hold how it stands, as ``before`` or ``after``. Raises Refused."""
        ...

    async def note(self, pole: str, who: str, text: str, baseline: bool, photo: bytes) -> None:
        """Keep what was done. Raises Refused."""
        ...

    def photo(self, name: str) -> Path:
        """The file of a photo. Raises Refused."""
        ...

    async def done_at(self, pole: str) -> list[tuple[float, str, str, str]]:
        """When, who, what, name of the photo; newest first."""
        ...


class TurningUp(Protocol):
    """What turning a pole up needs."""

    def begin(self, pole: str, who: str, minutes: float, after_dusk: bool) -> None:
        """Measure for some minutes, and once more after dusk if wished. Raises Refused."""
        ...

    def state(self) -> dict[str, Any]:
        """What is being done now."""
        ...

    async def sheet(self, pole: str) -> Sheet:
        """The newest turn-up of a pole. Raises Refused."""
        ...


class Looked(Protocol):
    """A site that is looked at: the running one, or one of many at a centre."""

    def tongue(self, person: str = "") -> Tongue:
        """The language of a person; of the site where none is named."""
        ...

    def picture(self) -> Picture:
        """How it stands now."""
        ...

    async def month(self, month: str) -> Month:
        """The review of a month (2026-10); Refused where there is none."""
        ...

    async def year(self, year: str) -> Year:
        """A year, month by month, as far as it has come. Raises Refused."""
        ...

    def coming(self) -> tuple[str, ...]:
        """Which margins end next, the first pole to visit first."""
        ...

    def survey(self) -> tuple[PlaceSeen, ...]:
        """What the last audit of each switch has seen."""
        ...

    def planned(self) -> Planned:
        """The plan in force."""
        ...

    async def chart(self, resource: str, quantity: str, title: str, from_s: float, to_s: float) -> Chart:
        """A quantity between two times, with its limits, baseline, repairs and forecast. Raises Refused."""
        ...

    def charts_ready(self) -> bool:
        """Is there what draws charts in the browser?"""
        ...

    def itself(self) -> dict[str, Any]:
        """How the program itself is doing."""
        ...

    async def done_at(self, pole: str) -> list[tuple[float, str, str, str]]:
        """What was done at a pole, newest first: when, who, what, name of the photo."""
        ...


class Site(Looked, Protocol):
    """The running site."""

    def alarms(self) -> tuple[AlarmView, ...]:
        """All alarms, standing first."""
        ...

    def places(self) -> frozenset[str]:
        """Names of the head-end, the poles and the supplies."""
        ...

    async def operate(self, resource: str, kind: str, qualifier: str, wanted: str, who: str, note: str) -> AlarmView:
        """A person's act on an alarm; KeyError where there is none, Refused where it cannot be."""
        ...

    async def note(self, place: str, who: str, text: str) -> dict[str, Any]:
        """Keep what somebody did at a place."""
        ...

    async def notes(self) -> list[dict[str, Any]]:
        """What has been done, oldest first."""
        ...

    def why(self, place: str) -> dict[str, Any]:
        """The most probable causes of what is wrong at a place now, with the evidence on them."""
        ...

    def forecasts(self) -> dict[str, Any]:
        """What the last nightly judgement said: every series, and the poles in the order of their visits."""
        ...

    def public_url(self) -> str | None:
        """How people reach signed links from outside; None: not at all, or still starting."""
        ...

    def answering(self, token: str) -> tuple[str, AlarmView]:
        """Person and alarm of a signed link; Refused where it is not valid."""
        ...

    async def answered(self, token: str) -> AlarmView:
        """Acknowledge by a signed link; Refused where it is not valid or the alarm is another occurrence."""
        ...

    async def shelve(self, resource: str, kind: str, until: str, who: str, note: str) -> dict[str, Any]:
        """Shelve alarms of a resource or place until a time; Refused where that cannot be."""
        ...

    async def unshelve(self, resource: str, kind: str) -> int:
        """Take shelves down; how many there were."""
        ...

    async def cycle(self, pole: str, port: str, who: str, why: str) -> dict[str, Any]:
        """Switch a PoE port off and on; Refused, with the reason, where that may not be."""
        ...

    async def drill(self, pole: str, fault: str, who: str, minutes: float) -> dict[str, Any]:
        """Begin a drill; Refused, with the reason, where there can be none."""
        ...

    async def drill_report(self) -> dict[str, Any]:
        """The steps of the last drill; Refused where there was none."""
        ...

    @property
    def at_pole(self) -> AtPole:
        """For whoever stands at a pole."""
        ...

    @property
    def turning_up(self) -> TurningUp:
        """For turning a pole up."""
        ...

    def charts_file(self) -> Path:
        """What draws charts in the browser."""
        ...

    async def history(self, resource: str, quantity: str, from_s: float, to_s: float, points: int) -> Line:
        """A quantity between two times in at most ``points`` stretches."""
        ...

    def changes(self) -> AsyncIterator[str]:
        """Yields a word whenever something has changed that a page shows."""
        ...
