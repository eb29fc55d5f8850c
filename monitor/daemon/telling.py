"""Changes of the book, and what time alone calls for → the history and its outbox."""

import logging
from collections.abc import Iterable

from monitor.alarms.book import Alarm, Change
from monitor.alarms.callouts import about, messages_for, overdue
from monitor.alarms.messages import Message
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.show.links import LASTS_S, Answer, sign

log = logging.getLogger("monitor.daemon.rounds")


class Telling:
    """Decides nothing: it hands to the rules what they need, and keeps what they say."""

    def __init__(self, memory: Memory, keeper: Keeper, clock: Clock) -> None:
        self._memory, self._keeper, self._clock = memory, keeper, clock

    async def tell(self, changes: list[Change]) -> None:
        """Keep changes and the messages that they call for."""
        memory = self._memory
        for change in changes:
            level = logging.WARNING if change.what.startswith("raised") else logging.INFO
            said = change.note or change.alarm.text
            words = f": {said}" if said else ""
            log.log(level, "%s: %s (%s)%s", change.what, change.alarm.key, change.alarm.severity.value, words)
            if change.what == "cleared":
                memory.called = {who: n for who, n in memory.called.items() if who[1] != about(change.alarm.key)}
        design = memory.design
        messages = list(
            messages_for(changes, memory.plan, design.zone, memory.told, tongues=design.tongues, link=self._link)
        )
        self._called(messages)
        await self._keeper.record(changes, messages)

    async def remind(self) -> None:
        """Tell those whom time alone calls: whoever comes next, or again."""
        memory, design, now_s = self._memory, self._memory.design, self._clock.wall_s()
        standing, called = memory.book.raised(), memory.called
        messages = list(
            overdue(standing, design.plan, design.zone, called, now_s, tongues=design.tongues, link=self._link)
        )
        if messages:
            self._called(messages)
            await self._keeper.record([], messages)

    def _link(self, person: str, alarm: Alarm) -> str:
        """The address by which a person takes care of an alarm, where the plan says how people reach the page."""
        url, key, of = self._memory.plan.public_url, self._memory.answer_key, alarm.key
        if not url or not key:
            return ""
        until_s = self._clock.wall_s() + LASTS_S
        answer = Answer(person, of.resource, of.type, of.qualifier, alarm.raised_s, until_s)
        return f"{url.rstrip('/')}/answer/{sign(key, answer)}"

    def _called(self, messages: Iterable[Message]) -> None:
        now_s, called = self._clock.wall_s(), self._memory.called
        for one in messages:
            if one.kind in ("callout", "reminder"):
                who = (one.person, f"{one.resource} {one.type}")
                called[who] = (called.get(who, (0, 0.0))[0] + 1, now_s)
