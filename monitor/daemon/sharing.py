"""Several processes ask one large site together: leases say who asks which place, and who alone holds the alarm book.

A lease is renewed well before it ends, and whoever cannot renew it stops by himself: no place is asked by two. What
nobody holds is taken within half a second; a place that changes hands is asked when its next round is due, by the
newest round in the history.
"""

import asyncio
import logging
import math
from collections.abc import Callable, Sequence
from uuid import uuid4

from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.history.store import NotKept

log = logging.getLogger(__name__)

LEASE_S = 10.0
TAKE_S = 0.5
RENEWED = 3.0
"""A lease is renewed so many times while it lasts."""
BOOK, PLACE, POLLER = "book", "place/", "poller/"


class Sharing:
    """The leases of one process."""

    def __init__(self, keeper: Keeper, clock: Clock, places: Sequence[str], lease_s: float = LEASE_S) -> None:
        self._keeper, self._clock, self._lease_s = keeper, clock, lease_s
        self._me, self._places = uuid4().hex, list(places)
        self._until: dict[str, float] = {}
        """Lease → until when it is ours, by the monotonic clock."""
        self._renewed_s = -math.inf
        self.changed = asyncio.Event()
        self.taken: Callable[[list[str]], None] = lambda places: None
        """What is done with places that have come to us."""

    def places(self, places: Sequence[str]) -> None:
        """The plan has these places from now on."""
        self._places = list(places)

    def mine(self, place: str) -> bool:
        """Is this place asked here now?"""
        return self._ours(PLACE + place)

    @property
    def holds_book(self) -> bool:
        """Is the alarm book kept here?"""
        return self._ours(BOOK)

    def _ours(self, name: str) -> bool:
        return self._clock.monotonic_s() < self._until.get(name, -math.inf)

    async def run(self) -> None:
        """Renew and take, until cancelled."""
        while True:
            try:
                await self.look()
            except NotKept as error:
                log.error("leases cannot be renewed: %s", error)
            await self._clock.sleep(TAKE_S)

    async def look(self) -> None:
        """Renew what is ours where it is time, and take what is free; raises NotKept."""
        began_s, before = self._clock.monotonic_s(), set(self._until)
        self._until = {name: until for name, until in self._until.items() if until > began_s}
        if began_s - self._renewed_s >= self._lease_s / RENEWED:
            mine = [POLLER + self._me, *self._until]
            held = await self._hold(mine, None, began_s)
            for name in set(mine) - held:  # somebody else has it already, whatever we were told when we took it
                self._until.pop(name, None)
            self._renewed_s = began_s
        if BOOK not in self._until:
            await self._hold([BOOK], None, began_s)
        await self._even(began_s)
        new = [name.removeprefix(PLACE) for name in set(self._until) - before if name.startswith(PLACE)]
        if new:
            log.info("asking %s here from now on", ", ".join(sorted(new)))
            self.taken(new)
        if (BOOK in self._until) != (BOOK in before) or new:
            self.changed.set()

    async def _even(self, now_s: float) -> None:
        """Take as many places as are our share, and give back what is more."""
        pollers = max(1, await self._keeper.ask(lambda store: store.holders(POLLER)))
        share = math.ceil(len(self._places) / pollers)
        held = [name for name in self._until if name.startswith(PLACE)]
        gone = [name for name in held if name.removeprefix(PLACE) not in self._places]
        more = gone + [name for name in held if name not in gone][share:]
        if more:
            await self._give_back(more)
        wanted = [
            PLACE + place for place in self._places if PLACE + place not in self._until and PLACE + place not in more
        ]
        room = share - len([name for name in self._until if name.startswith(PLACE)])
        if wanted and room > 0:
            await self._hold(wanted, room, now_s)

    async def _hold(self, names: list[str], most: int | None, now_s: float) -> set[str]:
        me, lasts_s = self._me, self._lease_s
        held = await self._keeper.ask(lambda store: store.take(names, me, lasts_s, most))
        # Counted from before the question was asked: ours ends before the database's.
        self._until |= dict.fromkeys(held, now_s + lasts_s)
        return held

    async def _give_back(self, names: list[str]) -> None:
        for name in names:
            self._until.pop(name, None)
        await self._keeper.ask(lambda store: store.give_back(names, self._me))

    async def end(self) -> None:
        """Give everything back, so that nobody waits."""
        try:
            await self._give_back([POLLER + self._me, *self._until])
        except NotKept as error:
            log.error("leases could not be given back, they end by themselves: %s", error)
