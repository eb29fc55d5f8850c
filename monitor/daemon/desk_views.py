"""What the desk shows beyond the picture: causes, forecasts, charts, the survey, the plan, reviews."""

from abc import ABC, abstractmethod
from typing import Any, Protocol

from monitor.alarms.book import concerns
from monitor.alarms.cause import Cause
from monitor.alarms.drifting import sentence
from monitor.daemon.charting import Asked, Charting
from monitor.daemon.clock import Clock
from monitor.daemon.memory import Memory
from monitor.daemon.months import months_of
from monitor.daemon.reviewing import Reviewing
from monitor.daemon.surveyed import seen
from monitor.facts.readings import Slot
from monitor.facts.words import Tongue, say
from monitor.history.store import NotKept
from monitor.margins.kinds import watched
from monitor.margins.verdict import ranked
from monitor.show.chart import Chart
from monitor.show.judged import cause_view, judged_view, nothing_stands, past_view
from monitor.show.month import Month
from monitor.show.ports import PlaceSeen, Planned, Refused
from monitor.show.year import Year

COMING = 3
PAST_S = 86_400.0
"""For so long what is over is told as past beside what stands."""


class Seen(Protocol):
    """What is looked at: what is known, and the history behind it."""

    @property
    def memory(self) -> Memory: ...  # noqa: D102  # a plain field
    @property
    def keeper(self) -> Asked: ...  # noqa: D102  # a plain field

    def why(self, place: str) -> Cause:
        """The most probable cause of what is wrong at a place. Raises Refused where nobody can say."""
        ...


class Views(ABC):
    """The part of the desk that only looks."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.plan_file = ""

    @property
    @abstractmethod
    def rounds(self) -> Seen:
        """What is looked at. Raises Refused while it is not there yet."""

    def tongue(self, person: str = "") -> Tongue:
        """The language of a person; of the site where none is named."""
        return self.rounds.memory.design.tongue_of(person)

    def why(self, place: str) -> dict[str, Any]:
        """The most probable causes of the first alarm that stands at a place; what is over is told as past."""
        memory, now_s = self.rounds.memory, self._clock.wall_s()
        first = next((alarm for alarm in memory.book.raised() if concerns(alarm, place)), None)
        past = [
            past_view(alarm, memory.design.zone)
            for alarm in memory.book.alarms.values()
            if alarm.cleared and concerns(alarm, place) and now_s - alarm.changed_s < PAST_S
        ]
        if first is None:
            return {**nothing_stands(place), "past": past}
        return {**cause_view(first.cause or self.rounds.why(place), first.key), "past": past}

    async def month(self, month: str) -> Month:
        """The review of a month, from the history."""
        rounds, now_s = self.rounds, self._clock.wall_s()
        design = rounds.memory.design
        try:
            return await rounds.keeper.ask(lambda store: Reviewing(store, design, month, now_s).month())
        except (ValueError, NotKept) as error:
            raise Refused(str(error)) from None

    async def year(self, year: str) -> Year:
        """A year, month by month; each is a question of its own, so that rounds are kept in between."""
        rounds, now_s = self.rounds, self._clock.wall_s()
        try:
            wanted = months_of(year, rounds.memory.design.zone, now_s)
        except ValueError as error:
            raise Refused(str(error)) from None
        return Year(year, tuple([await self.month(one) for one in wanted]))

    def forecasts(self) -> dict[str, Any]:
        """What the last nightly judgement said."""
        memory = self.rounds.memory
        order = ranked(memory.verdicts, memory.design.lost_with())
        return judged_view(memory.verdicts, watched(memory.plan, memory.budget), order)

    def coming(self) -> tuple[str, ...]:
        """Which margins end next."""
        memory = self.rounds.memory
        series = watched(memory.plan, memory.budget)
        order = ranked(memory.verdicts, memory.design.lost_with())[:COMING]
        return tuple(
            say("{pole}: {what}", pole=one.pole, what=sentence(memory.verdicts[one.slots[0]], series[one.slots[0]]))
            for one in order
            if one.slots[0] in series
        )

    def ends(self) -> list[dict[str, Any]]:
        """The same with the months that are left, as far as that is known: for whoever compares sites."""
        memory = self.rounds.memory
        found = []
        for one in ranked(memory.verdicts, memory.design.lost_with())[:COMING]:
            verdict = memory.verdicts[one.slots[0]]
            series = watched(memory.plan, memory.budget).get(one.slots[0])
            if series is not None:
                months = round(verdict.forecast.p50_months, 2) if verdict.forecast else None
                found.append({"pole": one.pole, "words": str(sentence(verdict, series)), "months": months})
        return found

    def survey(self) -> tuple[PlaceSeen, ...]:
        """What the last audit of each switch has seen."""
        return seen(self.rounds.memory)

    def planned(self) -> Planned:
        """The plan in force."""
        memory = self.rounds.memory
        return Planned(memory.budget, memory.plan.units == "imperial", self.plan_file)

    async def chart(self, resource: str, quantity: str, title: str, from_s: float, to_s: float) -> Chart:
        """A quantity between two times, with all that is known of it."""
        try:
            charting = Charting(self.rounds.memory, self.rounds.keeper)
            return await charting.chart(Slot(resource, quantity), title, from_s, to_s)
        except NotKept as error:
            raise Refused(f"the history cannot be read now: {error}") from None
