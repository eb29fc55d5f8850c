"""The morning letter: composed at its hour, once a day, and after a start where the hour passed without farpole."""

import asyncio
from dataclasses import replace
from datetime import datetime, time, timedelta, tzinfo

from monitor.alarms.book import Alarm, Change
from monitor.alarms.messages import letter, reader_of
from monitor.daemon.clock import Clock
from monitor.daemon.failing import NotDone
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.history.records import PastChange
from monitor.history.store import NotKept
from monitor.plan.parts import Callout

DAY_S = 86_400.0


def last_hour_s(at: str, now_s: float, zone: tzinfo) -> float:
    """When it was last ``HH:MM`` at the site.

    >>> from datetime import UTC
    >>> last_hour_s("06:30", 7 * 3600.0, UTC) / 3600, last_hour_s("06:30", 6 * 3600.0, UTC) / 3600
    (6.5, -17.5)
    """
    local = datetime.fromtimestamp(now_s, zone)
    today = datetime.combine(local.date(), time.fromisoformat(at), zone)
    if today.timestamp() > now_s:
        today = datetime.combine(local.date() - timedelta(days=1), time.fromisoformat(at), zone)
    return today.timestamp()


class Letters:
    """Letters under one plan; the outbox says which were written."""

    def __init__(self, rounds: Rounds, keeper: Keeper, clock: Clock) -> None:
        self._rounds, self._keeper, self._clock = rounds, keeper, clock
        self._one = asyncio.Lock()
        """Two looks at one time would both find that none is written."""

    async def look(self, person: Callout, first: bool) -> None:
        """Write the letter of the last hour at which one was due, unless it is written already.

        ``first`` writes one also to whom none was ever written: at a start, nobody has missed a first letter. Raises
        NotDone.
        """
        now_s, zone = self._clock.wall_s(), self._rounds.memory.design.zone
        try:
            async with self._one:
                written = await self._keeper.ask(lambda store: store.written("letter", now_s + DAY_S))
                last_s = written.get(person.name)
                wanted = first if last_s is None else last_s < last_hour_s(person.at or "00:00", now_s, zone)
                if wanted:
                    await self._write(person, now_s)
        except NotKept as error:
            raise NotDone(str(error)) from None

    async def _write(self, person: Callout, now_s: float) -> None:
        memory, design = self._rounds.memory, self._rounds.memory.design
        alarms = memory.book.alarms
        past = await self._keeper.ask(lambda store: store.changes(now_s - DAY_S))
        changes = [
            Change(_as_it_cleared(alarms[p.key], p), p.at_s, "cleared", note=p.note)
            for p in past
            if p.what == "cleared" and p.key in alarms
        ]
        reader = reader_of(person, design.plan, design.zone, design.tongues)
        await self._keeper.record([], [letter(changes, memory.book.raised(), reader, now_s)])


def _as_it_cleared(alarm: Alarm, past: PastChange) -> Alarm:
    """An alarm, which may have been raised again since, as it was at a change that cleared it."""
    return replace(alarm, raised_s=past.raised_s, settled=past.note, settlement=past.settlement)
