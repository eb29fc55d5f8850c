"""What the desk shows beyond the picture: causes, forecasts, charts, the survey, the plan, reviews."""

from typing import Any

from monitor.alarms.drifting import sentence
from monitor.daemon.charting import Charting
from monitor.daemon.clock import Clock
from monitor.daemon.reviewing import Reviewing, months_of
from monitor.daemon.rounds import Rounds
from monitor.daemon.surveyed import seen
from monitor.facts.readings import Slot
from monitor.facts.words import say
from monitor.history.store import NotKept
from monitor.margins.kinds import watched
from monitor.margins.verdict import ranked
from monitor.show.charts import Chart
from monitor.show.judged import cause_view, judged_view
from monitor.show.month import Month
from monitor.show.ports import PlaceSeen, Planned, Refused
from monitor.show.year import Year

COMING = 3


class Views:
    """The part of the desk that only looks."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.plan_file = ""
        self._rounds: Rounds | None = None

    @property
    def rounds(self) -> Rounds:
        """The rounds in force."""
        if self._rounds is None:
            raise Refused("farpole is still starting")
        return self._rounds

    def why(self, place: str) -> dict[str, Any]:
        """The most probable causes of what is wrong at a place now."""
        return cause_view(self.rounds.why(place))

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
