"""The only place that reads clocks. Ages and intervals use monotonic time; wall time is for people and history."""

import asyncio
import ctypes
import heapq
import time
from pathlib import Path
from typing import Protocol

BUILT_S = 1_788_220_800.0
"""2026-09-01: no farpole that shows this time or an earlier one knows what time it is."""
SETTLES_S = 600.0
"""After a start of the machine its time service has so long to set the clock; then the clock is all there is."""
_NOT_SYNCHRONISED = 5
"""TIME_ERROR of adjtimex(2)."""
_TIME_SERVICES = ("/run/systemd/timesync", "/run/chrony", "/run/ntpd.pid", "/run/openntpd.pid")


class Clock(Protocol):
    """What a clock gives."""

    def wall_s(self) -> float:
        """UTC seconds since 1970."""
        ...

    def monotonic_s(self) -> float:
        """Seconds that never go back."""
        ...

    def trusted(self) -> bool:
        """May what is stamped by the wall clock be kept under that time?"""
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

    def trusted(self) -> bool:
        """After the build date; and set by the time service, if there is one, unless it had ten minutes to do so."""
        if time.time() < BUILT_S:
            return False
        if time.monotonic() > SETTLES_S or not any(Path(service).exists() for service in _TIME_SERVICES):
            return True
        return not unsynchronised()

    async def sleep(self, seconds: float) -> None:
        """Wait in real time."""
        await asyncio.sleep(seconds)


def unsynchronised() -> bool:
    """Does the kernel say that nothing keeps its clock right? (adjtimex(2), which anybody may ask)"""
    state = ctypes.create_string_buffer(512)  # struct timex has 208 octets on 64-bit Linux; modes 0 changes nothing
    return bool(ctypes.CDLL(None).adjtimex(state) == _NOT_SYNCHRONISED)


def boot_id() -> str:
    """What tells one start of this machine, and so one run of its monotonic clock, from another."""
    return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


class HandClock:
    """A clock that tests turn by hand; sleepers wake in the order of their times."""

    def __init__(self, wall_s: float = 1_790_000_000.0) -> None:
        self._wall_s, self._monotonic_s = wall_s, 1000.0
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._count = 0
        self.trust = True

    def wall_s(self) -> float:
        """UTC seconds since 1970, as turned."""
        return self._wall_s

    def monotonic_s(self) -> float:
        """Monotonic seconds, as turned."""
        return self._monotonic_s

    def trusted(self) -> bool:
        """As the test says."""
        return self.trust

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
