"""Jobs that failed when they last ran: an alarm of farpole itself for each, which clears when it next succeeds."""

from monitor.alarms.book import Condition, Key
from monitor.alarms.inventory import INVENTORY
from monitor.daemon.rounds import Rounds
from monitor.facts import resources
from monitor.facts.words import say

KIND = "job-failed"


class NotDone(Exception):
    """A job could not do its work; the argument says why, for people."""


class Failing:
    """Steps the book with how jobs came out. The book remembers: a reload or a restart mends none."""

    def __init__(self, rounds: Rounds) -> None:
        self._rounds = rounds

    async def begin(self, jobs: set[str]) -> None:
        """A season begins with these jobs; what another plan had does not fail any more."""
        raised = [alarm.key for alarm in self._rounds.memory.book.raised()]
        gone = [key for key in raised if key.type == KIND and key.qualifier not in jobs]
        await self._rounds.step([Condition(key, None) for key in gone])

    async def ended(self, name: str, why: str) -> None:
        """A job has run; ``why`` is empty where it succeeded."""
        text = say("the job {job} failed: {why}", job=name, why=why) if why else ""
        severity = INVENTORY[KIND].severity if why else None
        condition = Condition(Key(resources.ITSELF, KIND, name), severity, text)
        if self._rounds.memory.book.minds(condition):
            await self._rounds.step([condition])
