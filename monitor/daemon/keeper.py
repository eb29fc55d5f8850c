"""The history's one thread, and what waits in memory while the disk cannot be written."""

import asyncio
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from monitor.alarms.book import Change
from monitor.alarms.messages import Message
from monitor.daemon.backlog import Backlog, Owed
from monitor.daemon.clock import Clock, boot_id
from monitor.daemon.opening import Opening
from monitor.facts.readings import Round
from monitor.history.store import NotKept, Store
from monitor.history.trouble import Reason

log = logging.getLogger(__name__)

T = TypeVar("T")

_ADVICE = {
    Reason.FULL: "; make room on the disk, or give the history a larger quota (--history-gb)",
    Reason.DAMAGED: "; the file cannot be mended where it lies: look at the card, and restore a backup "
    "(farpole restore)",
    Reason.LOST: "; the disk does not answer: look at the card, its socket and its power",
    Reason.READ_ONLY: "; the disk has become read-only, as a worn card does: replace it",
    Reason.DENIED: "; farpole may not write there: see to whom the folder belongs",
    Reason.SERVER: "; look whether PostgreSQL runs, and whether it can be reached from here",
}


class Keeper:
    """Keeps rounds in batches and changes at once, in the order in which they came.

    What cannot be written waits in memory, from the first moment on: a history that cannot be opened for writing is
    read as it is, as far as it can be, and opened again and again until it can.

    Rounds that come while the clock is not trusted are kept by the machine's monotonic clock, and get the time that
    they truly had as soon as it is.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        quota_octets: int | None = None,
        url: str | None = None,
        claim: Callable[[], None] = lambda: None,
    ) -> None:
        self._clock, self._url = clock, url
        self._opened = Opening(path, clock, quota_octets, url, claim)
        self._thread = ThreadPoolExecutor(1, "history")
        self.path = path
        self._backlog = Backlog()
        self._gave_time = False
        self._writing, self._opening = asyncio.Lock(), asyncio.Lock()
        self.trouble = ""
        self.quota_octets = quota_octets

    @property
    def folder(self) -> Path:
        """Where the history lies, and what has been put aside of it."""
        return self.path.parent

    @property
    def in_a_file(self) -> bool:
        """Is it in a file of its own, for which nobody else cares?"""
        return self._url is None

    @property
    def readable(self) -> bool:
        """Can anything of the history be read?"""
        return self._opened.readable

    @property
    def writable(self) -> bool:
        """Is the history open for writing?"""
        return self._opened.writable

    @property
    def dropped(self) -> int:
        """How much has been lost because too much waited."""
        return self._backlog.dropped

    # ---- opening

    async def open(self) -> None:
        """Open the history, mend it where it needs that, and bring its schema up to date.

        Where that cannot be now, ``trouble`` says why, and each flush tries again. Raises NotKept where it will never
        be: a history of a newer farpole, a database without a driver.
        """
        try:
            await self._do(self._opened.reopen)
        except NotKept as error:
            if not error.reason:
                raise
            self._tell(error)

    async def put_aside(self, why: str) -> None:
        """The file is damaged: go on in a fresh one; raises NotKept where that cannot be."""
        async with self._writing:
            await self._do(lambda: self._opened.reopen(why))

    async def _open_again(self) -> None:
        """Try to open what could not be opened for writing; a server that does not answer keeps nobody waiting."""
        async with self._opening:
            if self.writable:
                return
            try:
                if self.in_a_file:
                    await self._do(self._opened.reopen)
                else:  # none that is asked meanwhile has anything to ask
                    await asyncio.to_thread(self._opened.reopen)
            except NotKept as error:
                self._tell(error)
            else:
                log.info("the history can be written again; %d rounds and notes were waiting", self.waiting)

    def _tell(self, error: NotKept) -> None:
        if not self.trouble:
            log.error("history is not written: %s", error)
        self.trouble = f"{error}{_ADVICE.get(error.reason, '')}"

    # ---- asking

    async def _do(self, action: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, action)

    async def ask(self, question: Callable[[Store], T]) -> T:
        """Ask the store in its own thread; raises NotKept."""
        return await self._do(lambda: self._opened.asked(question, self.trouble))

    # ---- keeping

    def keep(self, rounds: Sequence[Round]) -> None:
        """Take rounds for the next flush; the oldest are dropped, and counted, when too many wait."""
        if self._clock.trusted():
            self._backlog.rounds += rounds
        else:
            ago_s = self._clock.wall_s() - self._clock.monotonic_s()
            self._backlog.untimed += [(one, ago_s) for one in rounds]
        if not self._writing.locked():
            self._backlog.bound()

    async def record(self, changes: Sequence[Change], messages: Sequence[Message]) -> None:
        """Keep changes and messages now, or as soon as the disk can be written again."""
        self._backlog.records.append((changes, messages))
        await self._flush_if_open()

    async def event(self, at_s: float, kind: str, resource: str, words: str) -> None:
        """Keep an event now, or as soon as the disk can be written again."""
        await self.owe(lambda store: store.note(at_s, kind, resource, words))

    async def owe(self, action: Owed) -> None:
        """Change something in the history now, or as soon as the disk can be written again."""
        self._backlog.owed.append(action)
        await self._flush_if_open()

    async def _flush_if_open(self) -> None:
        """Opening again is left to the next regular flush: it may take seconds, and people must be told meanwhile."""
        if self.writable:
            await self.flush()

    async def take_unwritten(self, now_s: float, wanted: Callable[[Message], bool]) -> list[Message]:
        """Messages that cannot be written now and may leave: nobody must stay unaware because a disk is full.

        Each is under way until ``left`` is told how it came out; it is not written meanwhile, so that none goes twice.
        """
        async with self._writing:
            taken = list(filter(wanted, self._backlog.unwritten(now_s))) if self.trouble else []
            self._backlog.going |= set(taken)
            return taken

    def left(self, message: Message, sent_s: float | None) -> None:
        """A message that was taken has gone, at that time, or has not."""
        self._backlog.left(message, sent_s)

    async def flush(self) -> None:
        """Write what waits. What cannot be written waits on, and ``trouble`` says why."""
        if not self.writable:
            await self._open_again()
        async with self._writing:
            if self.writable:
                try:
                    await self._write()
                except NotKept as error:
                    await self._troubled(error)
            self._backlog.bound()

    async def _troubled(self, error: NotKept) -> None:
        try:
            if error.reason is Reason.FULL and await self._do(self._opened.eased):
                await self._write()
                return
            if error.reason is Reason.SERVER:
                await self._do(self._opened.shut)
            if error.reason in (Reason.DAMAGED, Reason.LOST, Reason.READ_ONLY):
                why = str(error) if error.reason is Reason.DAMAGED else ""
                await self._do(lambda: self._opened.reopen(why))
                await self._write()
                return
        except NotKept as again:
            error = again
        self._tell(error)

    async def _write(self) -> None:
        waits = self._backlog
        while waits.owed:
            await self.ask(waits.owed[0])
            del waits.owed[0]
        while waits.records:
            changes, messages = waits.records[0]
            if waits.going.intersection(messages):
                break  # it is written once it is known whether they have gone; what came later waits with it
            await self.ask(lambda store: store.record(changes, messages, waits.sent_s))  # noqa: B023  # awaited before the next turn
            del waits.records[0]
            for one in messages:
                waits.sent_s.pop(one, None)
        if waits.untimed or not self._gave_time:
            await self._write_untimed()
        if waits.rounds:
            batch = list(waits.rounds)
            await self.ask(lambda store: store.keep(batch))
            del waits.rounds[: len(batch)]
        self.trouble = ""

    async def _write_untimed(self) -> None:
        boot, waits = boot_id(), self._backlog
        while waits.untimed:
            ago_s = waits.untimed[0][1]
            batch = [one for one, ago in waits.untimed if ago == ago_s]
            await self.ask(lambda store: store.keep_untimed(batch, boot, ago_s))  # noqa: B023  # awaited before the next turn
            waits.untimed = [pair for pair in waits.untimed if pair[1] != ago_s]
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
        return len(self._backlog)

    async def close(self) -> None:
        """Write what waits, as far as it can be, and give the file back."""
        if self.writable or self.in_a_file:
            await self.flush()
        if self.waiting:
            log.error("%d rounds and notes could not be written and are lost: %s", self.waiting, self.trouble)
        await self._do(self._opened.shut)
        self._thread.shutdown()
