"""Watching itself: room on the disk, the clock, rounds that come late, the sign of life, and how it last ended."""

import shutil
from collections.abc import Callable
from pathlib import Path

from monitor.daemon import descriptors
from monitor.daemon.asking import OwnFault
from monitor.daemon.clock import Clock
from monitor.daemon.rounds import Rounds
from monitor.daemon.systemd import notify
from monitor.daemon.trimming import trim
from monitor.facts.words import say
from monitor.notify import sign_of_life

LEAST_FREE_SHARE, LEAST_FREE_OCTETS = 0.05, 200 * 2**20
"""Below both, the disk is nearly full (common practice, no source)."""
LATE_ROUNDS = 20


class Watching:
    """The daemon's own conditions; each a line that says what to do."""

    def __init__(self, rounds: Rounds, clock: Clock, folder: Path, late: Callable[[], int], url: str | None) -> None:
        self._rounds, self._clock, self._folder, self._late, self._url = rounds, clock, folder, late, url
        self._late_before = late()
        self._unasked_before = 0

    async def look(self) -> None:
        """Judge this program's own state, and tell systemd that it lives."""
        notify("WATCHDOG=1")
        trim()
        own = self._rounds.own
        late = self._late()
        more, self._late_before = late - self._late_before, late
        unasked = self._rounds.asking.unasked[OwnFault.SOCKETS]
        failed, self._unasked_before = unasked > self._unasked_before, unasked
        await self._rounds.step(
            [
                own("disk-nearly-full", self._disk()),
                own("clock-doubted", "" if self._clock.trusted() else CLOCK_WORDS),
                own("rounds-late", _late(more) if more > LATE_ROUNDS else ""),
                own("sockets-short", descriptors.too_few(self._rounds.memory.design, failed)),
            ]
        )

    def _disk(self) -> str:
        try:
            disk = shutil.disk_usage(self._folder)
        except OSError as error:
            return say("the disk of {folder} cannot be asked: {why}", folder=str(self._folder), why=error.strerror)
        if disk.free < LEAST_FREE_SHARE * disk.total and disk.free < LEAST_FREE_OCTETS:
            words = "{free} MiB of {total} are free where the history lies"
            return say(words, free=disk.free >> 20, total=disk.total >> 20)
        return ""

    async def tell(self) -> None:
        """Send the sign of life."""
        why = await sign_of_life.tell(self._url or "")
        await self._rounds.step([self._rounds.own("sign-of-life-lost", why)])


def _late(count: int) -> str:
    return say("{count} rounds came late within five minutes", count=count)


CLOCK_WORDS = say("nothing keeps this machine's clock right: times of alarms and readings may be wrong")


def ended_badly(started_s: float | None, stopped_s: float | None) -> str:
    """How the last run ended, from its last start and the last orderly stop; empty where it was stopped in order.

    >>> ended_badly(None, None), ended_badly(100.0, 200.0), ended_badly(300.0, 200.0)[:30]
    ('', '', 'farpole did not stop in order ')
    """
    if started_s is None or (stopped_s is not None and stopped_s >= started_s):
        return ""
    return say(
        "farpole did not stop in order the last time: a power cut, a crash, or it was killed; it goes on from there"
    )
