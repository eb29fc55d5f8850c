"""Whose password is looked at next. Each look takes 64 MiB and a good part of a second, on purpose: one at a time.

Whoever keeps many waiting waits behind those who do not, and of too many his are sent away first; so strangers fill
no queue against the owner.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Final

MOST_WAITING: Final = 32
LONGEST_WAIT_S: Final = 45.0
"""Somewhat more than the slow path's step."""


class NoTurn(Exception):
    """Too many wait, or it took too long."""


@dataclass(frozen=True, slots=True)
class Asker:
    """Who waits: from where, whether from a device that is known, and how much was wrong from there lately."""

    place: str
    known: bool
    wrongs: int
    ready_in_s: Callable[[], float] = field(repr=False)
    """How long until his password may be looked at [s]."""


@dataclass(eq=False, slots=True)
class _Waiting:
    rank: tuple[bool, int, int, int]
    asker: Asker
    turn: asyncio.Future[None]


class Turns:
    """The queue before the one look."""

    def __init__(self, most: int = MOST_WAITING, longest_s: float = LONGEST_WAIT_S) -> None:
        self._most, self._longest_s = most, longest_s
        self._waiting: list[_Waiting] = []
        self._looking, self._came = False, 0
        self._timer: asyncio.TimerHandle | None = None

    @contextlib.asynccontextmanager
    async def turn(self, asker: Asker) -> AsyncIterator[None]:
        """Within it nobody else is looked at. Raises NoTurn."""
        mine = self._queued(asker)
        try:
            async with asyncio.timeout(self._longest_s):
                await mine.turn
        except BaseException as error:
            self._withdrawn(mine)
            if isinstance(error, TimeoutError):
                raise NoTurn from None
            raise
        try:
            yield
        finally:
            self._given_back()

    def _queued(self, asker: Asker) -> _Waiting:
        self._came += 1
        before = sum(one.asker.place == asker.place for one in self._waiting)
        rank = (not asker.known, before, asker.wrongs, self._came)
        mine = _Waiting(rank, asker, asyncio.get_running_loop().create_future())
        self._waiting.append(mine)
        if len(self._waiting) > self._most:
            last = max(self._waiting, key=lambda one: one.rank)
            self._waiting.remove(last)
            if last is mine:
                raise NoTurn
            last.turn.set_exception(NoTurn())
        self._next()
        return mine

    def _withdrawn(self, mine: _Waiting) -> None:
        if mine in self._waiting:
            self._waiting.remove(mine)
        elif mine.turn.done() and not mine.turn.cancelled() and mine.turn.exception() is None:
            self._given_back()  # the turn had come in the moment in which the waiting ended

    def _given_back(self) -> None:
        self._looking = False
        self._next()

    def _next(self) -> None:
        """Let the first in who may be looked at now; where nobody may yet, look again when the first may."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._waiting = [one for one in self._waiting if not one.turn.done()]  # not those just cancelled
        if self._looking or not self._waiting:
            return
        waits = {one: one.asker.ready_in_s() for one in self._waiting}
        ready = [one for one, wait_s in waits.items() if wait_s <= 0]
        if not ready:
            self._timer = asyncio.get_running_loop().call_later(min(waits.values()), self._next)
            return
        first = min(ready, key=lambda one: one.rank)
        self._waiting.remove(first)
        self._looking = True
        first.turn.set_result(None)
