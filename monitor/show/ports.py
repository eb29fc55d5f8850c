"""What the page, the terminal's commands and the metrics need from the running daemon, which fills it."""

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from monitor.facts.words import Tongue
from monitor.show.month import Month
from monitor.show.views import AlarmView, Picture


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


class Site(Protocol):
    """The running site."""

    def tongue(self, person: str = "") -> Tongue:
        """The language of a person; of the site where none is named."""
        ...

    def picture(self) -> Picture:
        """How it stands now."""
        ...

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

    async def month(self, month: str) -> Month:
        """The review of a month (2026-10); Refused where there is none."""
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

    async def history(self, resource: str, quantity: str, from_s: float, to_s: float, points: int) -> Line:
        """A quantity between two times in at most ``points`` stretches."""
        ...

    def itself(self) -> dict[str, Any]:
        """How the program itself is doing."""
        ...

    def changes(self) -> AsyncIterator[str]:
        """Yields a word whenever something has changed that a page shows."""
        ...
