"""The history's one thread, and what waits in memory while the disk cannot be written."""

import asyncio
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from monitor.alarms.book import Change
from monitor.alarms.messages import Message
from monitor.daemon import ballast
from monitor.daemon.clock import Clock, boot_id
from monitor.facts.readings import Round
from monitor.history import mending, wal, wreck
from monitor.history.store import NotKept, Store

log = logging.getLogger(__name__)

T = TypeVar("T")
MOST_WAITING_ROUNDS = 50_000
"""Rounds held in memory while the disk cannot be written: about six hours of a 12-pole site, some 50 MB."""


_ADVICE = {
    "full": "; make room on the disk, or give the history a larger quota (--history-gb)",
    "damaged": "; the file cannot be mended where it lies: look at the card, and restore a backup (farpole restore)",
    "lost": "; the disk does not answer: look at the card, its socket and its power",
    "read-only": "; the disk has become read-only, as a worn card does: replace it",
}


class Keeper:
    """Keeps rounds in batches and changes at once, in the order in which they came.

    Rounds that come while the clock is not trusted are kept by the machine's monotonic clock, and get the time that
    they truly had as soon as it is.
    """

    def __init__(self, path: Path, clock: Clock, quota_octets: int | None = None, url: str | None = None) -> None:
        self._clock, self._url = clock, url
        self._thread = ThreadPoolExecutor(1, "history")
        self.path = path
        self._rounds: list[Round] = []
        self._untimed: list[tuple[Round, float]] = []
        self._gave_time = False
        self._records: list[tuple[Sequence[Change], Sequence[Message]]] = []
        self._sent_s: dict[Message, float] = {}
        self._going: set[Message] = set()
        self._writing = asyncio.Lock()
        self.trouble = ""
        self.dropped = 0
        self.quota_octets = quota_octets

    @property
    def folder(self) -> Path:
        """Where the history lies, and what has been put aside of it."""
        return self.path.parent

    @property
    def in_a_file(self) -> bool:
        """Is it in a file of its own, for which nobody else cares?"""
        return self._url is None

    async def open(self) -> None:
        """Open the history, mend it where it needs that, and bring its schema up to date; raises NotKept."""
        self._store = await self._do(self._open)
        await self._do(lambda: ballast.lay(self.path.parent))

    def _open(self) -> Store:
        if self._url is not None:
            return Store(self._url)
        try:
            mending.finish(self.path)
            self._mend_log()
        except OSError as error:
            raise NotKept(f"{self.path}: {error.strerror}", "lost") from error
        try:
            return Store(self.path, quota_octets=self.quota_octets)
        except NotKept as error:
            if error.reason != "damaged":
                raise
            return self._put_aside(str(error))

    def _mend_log(self) -> None:
        name = f"{mending.PREFIX}{int(self._clock.wall_s())}.wal"
        found = wal.mend(self.path.with_name(self.path.name + "-wal"), self.folder / name)
        if found is not None:
            log.error(
                "the history's log had %d damaged pages with %d good ones behind them; mended, as it was in %s",
                found.damaged,
                found.followed,
                found.copy,
            )

    def _put_aside(self, why: str) -> Store:
        aside = mending.put_aside(self.path, self._clock.wall_s(), why)
        log.error("the history is damaged (%s); it lies in %s, and a fresh one goes on", why, aside)
        return Store(self.path, quota_octets=self.quota_octets)

    async def put_aside(self, why: str) -> None:
        """The file is damaged: go on in a fresh one; raises NotKept where that cannot be."""
        async with self._writing:
            await self._do(lambda: self._reopen(why))

    def _reopen(self, why: str = "") -> None:
        """Close and open again: what a lost disk has left in memory must not be taken for what is on it."""
        with suppress(NotKept):
            self._store.close()
        if self.in_a_file and why and wreck.sound(self.path):
            self._store = self._put_aside(why)
        else:
            self._store = self._open()

    async def _do(self, action: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, action)

    async def ask(self, question: Callable[[Store], T]) -> T:
        """Ask the store in its own thread; raises NotKept."""
        return await self._do(lambda: question(self._store))

    def keep(self, rounds: Sequence[Round]) -> None:
        """Take rounds for the next flush; the oldest are dropped, and counted, when too many wait."""
        if self._clock.trusted():
            self._rounds += rounds
        else:
            ago_s = self._clock.wall_s() - self._clock.monotonic_s()
            self._untimed += [(one, ago_s) for one in rounds]
        for waiting in (self._rounds, self._untimed):
            if len(waiting) > MOST_WAITING_ROUNDS:
                more = len(waiting) - MOST_WAITING_ROUNDS
                del waiting[:more]
                self.dropped += more

    async def record(self, changes: Sequence[Change], messages: Sequence[Message]) -> None:
        """Keep changes and messages now, or as soon as the disk can be written again."""
        self._records.append((changes, messages))
        await self.flush()

    async def event(self, at_s: float, kind: str, resource: str, words: str) -> None:
        """Keep an event, or say in the log that it could not be kept."""
        try:
            await self.ask(lambda store: store.note(at_s, kind, resource, words))
        except NotKept as error:
            log.error("not kept: %s %s %s (%s)", kind, resource, words, error)

    async def take_unwritten(self, now_s: float, wanted: Callable[[Message], bool]) -> list[Message]:
        """Messages that cannot be written now and may leave: nobody must stay unaware because a disk is full.

        Each is under way until ``left`` is told how it came out; it is not written meanwhile, so that none goes twice.
        """
        async with self._writing:
            taken = list(filter(wanted, self._unwritten(now_s))) if self.trouble else []
            self._going |= set(taken)
            return taken

    def left(self, message: Message, sent_s: float | None) -> None:
        """A message that was taken has gone, at that time, or has not."""
        self._going.discard(message)
        if sent_s is not None:
            self._sent_s[message] = sent_s

    def _unwritten(self, now_s: float) -> list[Message]:
        """Messages in memory that may leave; a callout whose alarm has ended or been explained since is not needed."""
        found = []
        for i, (_, messages) in enumerate(self._records):
            later = [change for changes, _ in self._records[i + 1 :] for change in changes]
            over = {(c.alarm.key.resource, c.alarm.key.type) for c in later if c.what in ("cleared", "linked")}
            for one in messages:
                needed = one.kind != "callout" or (one.resource, one.type) not in over
                if one.not_before_s <= now_s and one not in self._sent_s and one not in self._going and needed:
                    found.append(one)
        return found

    async def flush(self) -> None:
        """Write what waits. What cannot be written waits on, and ``trouble`` says why."""
        async with self._writing:
            try:
                await self._write()
            except NotKept as error:
                await self._troubled(error)

    async def _troubled(self, error: NotKept) -> None:
        try:
            if error.reason == "full" and await self._do(lambda: ballast.give_back(self.path.parent)):
                log.error("the disk is full; %d MiB held in reserve are given back", ballast.OCTETS >> 20)
                await self._write()
                return
            if error.reason in ("damaged", "lost", "read-only"):
                why = str(error) if error.reason == "damaged" else ""
                await self._do(lambda: self._reopen(why))
                await self._write()
                return
        except NotKept as again:
            error = again
        if not self.trouble:
            log.error("history is not written: %s", error)
        self.trouble = f"{error}{_ADVICE.get(error.reason, '')}"

    async def _write(self) -> None:
        while self._records:
            changes, messages = self._records[0]
            if self._going.intersection(messages):
                break  # it is written once it is known whether they have gone; what came later waits with it
            await self.ask(lambda store: store.record(changes, messages, self._sent_s))  # noqa: B023  # awaited before the next turn
            del self._records[0]
            for one in messages:
                self._sent_s.pop(one, None)
        if self._untimed or not self._gave_time:
            await self._write_untimed()
        if self._rounds:
            batch = list(self._rounds)
            await self.ask(lambda store: store.keep(batch))
            del self._rounds[: len(batch)]
        self.trouble = ""

    async def _write_untimed(self) -> None:
        boot = boot_id()
        while self._untimed:
            ago_s = self._untimed[0][1]
            batch = [one for one, ago in self._untimed if ago == ago_s]
            await self.ask(lambda store: store.keep_untimed(batch, boot, ago_s))  # noqa: B023  # awaited before the next turn
            self._untimed = [pair for pair in self._untimed if pair[1] != ago_s]
            self._gave_time = False
        if self._clock.trusted():
            ago_s = self._clock.wall_s() - self._clock.monotonic_s()
            given = await self.ask(lambda store: store.give_time(boot, ago_s))
            if given:
                log.info("the clock is right now; %d rounds from before have been given their time", given)
            self._gave_time = True

    @property
    def waiting(self) -> int:
        """Rounds and records that are not on the disk yet."""
        return len(self._rounds) + len(self._untimed) + len(self._records)

    async def close(self) -> None:
        """Write what waits and give the file back."""
        await self.flush()
        await self._do(self._store.close)
        self._thread.shutdown()
