"""Is the way to each person proven? A test message at the start, and one a week where nothing else went that way."""

from datetime import datetime, tzinfo

from monitor.alarms.callouts import in_hours
from monitor.alarms.messages import proof, reader_of
from monitor.daemon.clock import Clock
from monitor.daemon.failing import NotDone
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.facts.words import Moment, say
from monitor.history.store import NotKept

PROVE_AFTER_S = 180.0
"""After a start: by then a plan that is being written has settled."""
DAY_S = 86_400.0
WEEK_S = 7 * DAY_S
LATE_S = WEEK_S + DAY_S
"""So long after the last message that a carrier took, people are told that the way to somebody is not proven."""


class Proving:
    """Proof under one plan."""

    def __init__(self, rounds: Rounds, keeper: Keeper, clock: Clock) -> None:
        self._rounds, self._keeper, self._clock = rounds, keeper, clock

    async def look(self) -> None:
        """Send a test message to whom none was sent yet, or nothing for a week; say to whom the way is not proven.

        A carrier that takes a message proves its own part of the way only; that a person reads it, ``farpole drill``
        proves. Raises NotDone.
        """
        memory, now_s = self._rounds.memory, self._clock.wall_s()
        try:
            proven = await self._keeper.ask(lambda store: store.proven(now_s + DAY_S))
            tested = await self._keeper.ask(lambda store: store.written("test", now_s + DAY_S))
        except NotKept as error:
            raise NotDone(str(error)) from None
        local = datetime.fromtimestamp(now_s, memory.design.zone)
        unproven = []
        for person in memory.plan.callouts:
            went_s, tested_s = proven.get(person.name), tested.get(person.name)
            newest_s = max((at_s for at_s in (went_s, tested_s) if at_s is not None), default=None)
            wanted = newest_s is None or (person.prove_weekly and now_s - newest_s >= WEEK_S)
            if wanted and in_hours(person.hours, local):
                reader = reader_of(person, memory.plan, memory.design.zone, memory.design.tongues)
                await self._keeper.record([], [proof(reader, now_s)])
            since_s = went_s if went_s is not None else tested_s
            if since_s is not None and now_s - since_s > LATE_S and (person.prove_weekly or went_s is None):
                unproven.append(_unproven(person.name, went_s, memory.design.zone))
        memory.unproven = tuple(unproven)


def _unproven(person: str, went_s: float | None, zone: tzinfo) -> str:
    if went_s is None:
        return say("the way to {person} is not proven: no message has gone there yet", person=person)
    last = Moment(datetime.fromtimestamp(went_s, zone))
    return say("the way to {person} is not proven: the last message went there {last}", person=person, last=last)
