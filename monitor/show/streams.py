"""Event streams of the page: one reader of what changes for all of them, and places for which nobody is shut out.

A stream holds a connection for as long as a page is open. So there are so many places, so many of one person, and
where there are no more the stream gives way that is missed least: of somebody who only looks before one of somebody
who acts, of whoever has most, the oldest. Its page asks again after a while.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Final

from monitor.show.door import Visitor

MOST, MOST_OF_ONE = 100, 16
"""Fewer than the server takes connections, so that pages are answered beside them."""
AGAIN_MS: Final = 60_000
GIVES_WAY: Final = f"retry: {AGAIN_MS}\n\n"
"""How long a browser waits before it opens a stream anew (HTML Living Standard, 9.2.6)."""


@dataclass(eq=False, slots=True)
class _Stream:
    name: str
    may_act: bool
    news: asyncio.Event = field(default_factory=asyncio.Event)
    word: str = "still here"
    gives_way: bool = False
    ended: bool = False


class Streams:
    """All open streams."""

    def __init__(
        self, changes: Callable[[], AsyncIterator[str]], most: int = MOST, most_of_one: int = MOST_OF_ONE
    ) -> None:
        self._changes, self._most, self._most_of_one = changes, most, most_of_one
        self._open: list[_Stream] = []
        self._reader: asyncio.Task[None] | None = None

    def __len__(self) -> int:
        return len(self._open)

    async def stream(self, visitor: Visitor) -> AsyncIterator[str]:
        """What a visitor's page hears, as server-sent events, until it leaves or has to give way."""
        mine = self._opened(visitor)
        try:
            yield "event: hello\ndata: farpole\n\n"
            while not (mine.gives_way or mine.ended):
                await mine.news.wait()
                mine.news.clear()
                if not (mine.gives_way or mine.ended):
                    yield f"event: {mine.word.replace(' ', '-')}\ndata: \n\n"
            if mine.gives_way:
                yield GIVES_WAY
        finally:
            self._left(mine)

    def _opened(self, visitor: Visitor) -> _Stream:
        mine = _Stream(visitor.name, visitor.may_act)
        self._open.append(mine)
        own = [one for one in self._open if one.name == mine.name]
        if mine.name and len(own) > self._most_of_one:  # who is not known by name may be several
            self._gives_way(own[0])
        if len(self._open) > self._most:
            self._gives_way(max(self._open, key=self._missed_least))
        if self._reader is None or self._reader.done():
            self._reader = asyncio.create_task(self._read(), name="event streams")
        return mine

    def _missed_least(self, one: _Stream) -> tuple[bool, int, int]:
        return not one.may_act, sum(other.name == one.name for other in self._open), -self._open.index(one)

    def _gives_way(self, one: _Stream) -> None:
        self._open.remove(one)
        one.gives_way = True
        one.news.set()

    def _left(self, mine: _Stream) -> None:
        if mine in self._open:
            self._open.remove(mine)
        if not self._open and self._reader is not None:
            self._reader.cancel()

    async def _read(self) -> None:
        """Tell all what changes; a stream whose reader is slow hears the newest word once."""
        async for word in self._changes():
            for one in self._open:
                one.word = word
                one.news.set()
        for one in self._open:
            one.ended = True
            one.news.set()
