"""The centre's own alarm book: which sites are silent. Of several processes one does this, by a lease."""

import asyncio
import logging
from collections.abc import Callable, Sequence
from datetime import tzinfo
from typing import TypeVar
from uuid import uuid4

from monitor.alarms.book import Alarm, Book, step
from monitor.alarms.messages import Message, late
from monitor.alarms.sites import Heard, message_of, of_sites
from monitor.daemon.clock import Clock
from monitor.daemon.ending import end
from monitor.daemon.ingesting import CentralInbox
from monitor.facts.words import ENGLISH
from monitor.history.store import NotKept, Store
from monitor.notify.carrier import Carrier
from monitor.notify.outbox import Lanes, Sent

log = logging.getLogger(__name__)

T = TypeVar("T")
LOOK_S, LEASE_S = 5.0, 20.0
TIDY_S = 3600.0
BOOK = "centre-book"


class CentreWatch:
    """Looks every few seconds, where nobody else does."""

    def __init__(
        self, inbox: CentralInbox, own: Store, carrier: Carrier, tell: Sequence[str], clock: Clock, zone: tzinfo
    ) -> None:
        self._inbox, self._own, self._tell = inbox, own, list(tell)
        self._lanes = Lanes(carrier.send, self._late, self._came)
        self._unmarked: dict[int, Sent] = {}
        self._marking = asyncio.Lock()
        self._clock, self._zone, self._me = clock, zone, uuid4().hex
        self._book: Book | None = None
        self._listening_since_s = clock.wall_s()
        self._tidied_s = clock.monotonic_s()

    async def run(self) -> None:
        """Until cancelled. A database that is away is tried again."""
        try:
            while True:
                try:
                    await self._look()
                except (NotKept, RuntimeError) as error:
                    log.error("sites could not be looked at: %s", error)
                    self._book, self._listening_since_s = None, self._clock.wall_s()
                await self._clock.sleep(LOOK_S)
        finally:
            await end(await self._lanes.close())

    async def _ask(self, question: Callable[[Store], T]) -> T:
        return await self._inbox.ask(lambda _: question(self._own))

    async def _look(self) -> None:
        if not await self._ask(lambda own: own.take([BOOK], self._me, LEASE_S)):
            self._book = None
            return
        if self._book is None:
            self._book = Book({alarm.key: alarm for alarm in await self._ask(lambda own: own.alarms())})
        now_s = self._clock.wall_s()
        sites = await self._inbox.ask(lambda central: central.sites())
        heard = [Heard(one.name, one.heard_s, one.alive_s) for one in sites if one.heard_s is not None and one.key]
        book, changes = step(self._book, of_sites(heard, now_s, self._listening_since_s, self._zone), now_s)
        for change in changes:
            log.warning("%s: %s: %s", change.what, change.alarm.key, change.note or change.alarm.text)
        told = [message_of(change, to, self._zone) for change in changes for to in self._tell]
        messages: list[Message] = [one for one in told if one is not None]
        if changes:
            await self._ask(lambda own: own.record(changes, messages))
        self._book = book
        await self._send(now_s)
        if self._clock.monotonic_s() - self._tidied_s > TIDY_S:
            self._tidied_s = self._clock.monotonic_s()
            await self._inbox.ask(lambda central: central.tidy(now_s))

    async def _send(self, now_s: float) -> None:
        busy = self._lanes.busy()  # before the outbox is read: what is under way then may be marked only after that
        await self._mark()
        due = await self._ask(lambda own: own.due(now_s))
        free = [one for one in due if one.message.to not in busy and one.id not in self._unmarked]
        self._lanes.start(free, now_s)

    async def _came(self, sent: Sent) -> None:
        self._unmarked[sent.id] = sent
        await self._mark()

    async def _mark(self) -> None:
        """Write down how attempts came out; what cannot be written now is written before anything more is sent."""
        async with self._marking:
            now_s = self._clock.wall_s()
            for one in list(self._unmarked.values()):
                if one.why:
                    await self._ask(lambda own, one=one: own.failed(one.id, one.why, one.again_s))  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name
                else:
                    await self._ask(lambda own, one=one: own.went(one.id, now_s))  # type: ignore[misc]  # the same
                del self._unmarked[one.id]

    def _late(self, message: Message, now_s: float) -> str:
        return late(message, now_s, self._zone, ENGLISH)

    async def standing(self) -> list[Alarm]:
        """What stands for the centre and its sites, whoever looks at them."""
        return [alarm for alarm in await self._ask(lambda own: own.alarms()) if not alarm.cleared]
