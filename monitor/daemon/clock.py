"""The only place that reads clocks. Ages and intervals use monotonic time; wall time is for people and history."""

import asyncio
import heapq
import time
from typing import Protocol


class Clock(Protocol):
    """What a clock gives."""

    def wall_s(self) -> float:
        """UTC seconds since 1970."""
        ...

    def monotonic_s(self) -> float:
        """Seconds that never go back."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


class SystemClock:
    """The machine's clocks."""

    def wall_s(self) -> float:
        """UTC seconds since 1970."""
        return time.time()

    def monotonic_s(self) -> float:
        """Seconds that never go back."""
        return time.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Wait in real time."""
        await asyncio.sleep(seconds)


class HandClock:
    """A clock that tests turn by hand; sleepers wake in the order of their times."""

    def __init__(self, wall_s: float = 1_790_000_000.0) -> None:
        self._wall_s, self._monotonic_s = wall_s, 1000.0
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._count = 0

    def wall_s(self) -> float:
        """UTC seconds since 1970, as turned."""
        return self._wall_s

    def monotonic_s(self) -> float:
        """Monotonic seconds, as turned."""
        return self._monotonic_s

    async def sleep(self, seconds: float) -> None:
        """Wait until the clock has been turned that far."""
        waiting: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._count += 1
        heapq.heappush(self._sleepers, (self._monotonic_s + seconds, self._count, waiting))
        await waiting

    async def turn(self, seconds: float) -> None:
        """Let time pass; whoever sleeps wakes at its own time and runs before time goes on."""
        until = self._monotonic_s + seconds
        while self._sleepers and self._sleepers[0][0] <= until:
            due, _, waiting = heapq.heappop(self._sleepers)
            self._wall_s += due - self._monotonic_s
            self._monotonic_s = due
            if not waiting.done():
                waiting.set_result(None)
            for _ in range(50):
                await asyncio.sleep(0)
        self._wall_s += until - self._monotonic_s
        self._monotonic_s = until

    def set_wall(self, wall_s: float) -> None:
        """The wall clock jumps; monotonic time does not."""
        self._wall_s = wall_s
