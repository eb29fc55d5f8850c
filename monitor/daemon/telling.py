"""Changes of the book, and what time alone calls for → the history and its outbox."""

import logging
from collections.abc import Iterable
from dataclasses import replace

from monitor.alarms.book import Change
from monitor.alarms.callouts import about, messages_for, overdue
from monitor.alarms.messages import Message
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.facts.words import say
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
        messages = self._linked(
            messages_for(changes, memory.plan, memory.design.zone, memory.told, memory.design.tongues)
        )
        self._called(messages)
        await self._keeper.record(changes, messages)

    async def remind(self) -> None:
        """Tell those whom time alone calls: whoever comes next, or again."""
        memory, design, now_s = self._memory, self._memory.design, self._clock.wall_s()
        found = overdue(memory.book.raised(), design.plan, design.zone, memory.called, now_s, design.tongues)
        messages = self._linked(found)
        if messages:
            self._called(messages)
            await self._keeper.record([], messages)

    def _linked(self, messages: Iterable[Message]) -> list[Message]:
        """The messages, with a link to acknowledge where the plan says how people reach the page."""
        url, key = self._memory.plan.public_url, self._memory.answer_key
        if not url or not key:
            return list(messages)
        until_s, found = self._clock.wall_s() + LASTS_S, []
        for one in messages:
            alarm = next((a for a in self._memory.book.raised() if about(a.key) == f"{one.resource} {one.type}"), None)
            if one.kind in ("callout", "reminder") and alarm is not None:
                answer = Answer(one.person, one.resource, one.type, alarm.key.qualifier, alarm.raised_s, until_s)
                link = say("I take care of it: {url}", url=f"{url.rstrip('/')}/answer/{sign(key, answer)}")
                one = replace(one, body=f"{one.body}\n{self._memory.design.tongue_of(one.person).say(link)}")
            found.append(one)
        return found

    def _called(self, messages: Iterable[Message]) -> None:
        now_s, called = self._clock.wall_s(), self._memory.called
        for one in messages:
            if one.kind in ("callout", "reminder"):
                who = (one.person, f"{one.resource} {one.type}")
                called[who] = (called.get(who, (0, 0.0))[0] + 1, now_s)
