"""The history's one thread, and what waits in memory while the disk cannot be written."""

import asyncio
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from monitor.alarms.book import Change
from monitor.alarms.callouts import Message
from monitor.daemon import ballast
from monitor.facts.readings import Round
from monitor.history.store import NotKept, Store

log = logging.getLogger(__name__)

T = TypeVar("T")
MOST_WAITING_ROUNDS = 50_000
"""Rounds held in memory while the disk cannot be written: about six hours of a 12-pole site, some 50 MB."""


_ADVICE = {
    "full": "; make room on the disk, or give the history a larger quota (--history-gb)",
    "damaged": "; the file is damaged: stop farpole, and start it again to have it mended",
    "lost": "; the disk does not answer: look at the card, its socket and its power",
    "read-only": "; the disk has become read-only, as a worn card does: replace it",
}


class Keeper:
    """Keeps rounds in batches and changes at once, in the order in which they came."""

    def __init__(self, path: Path, quota_octets: int | None = None) -> None:
        self._quota = quota_octets
        self._thread = ThreadPoolExecutor(1, "history")
        self._path = path
        self._rounds: list[Round] = []
        self._records: list[tuple[Sequence[Change], Sequence[Message]]] = []
        self._writing = asyncio.Lock()
        self.trouble = ""
        self.dropped = 0

    async def open(self) -> None:
        """Open the file and bring its schema up to date; raises NotKept."""
        self._store = await self._do(lambda: Store(self._path, quota_octets=self._quota))
        await self._do(lambda: ballast.lay(self._path.parent))

    async def _do(self, action: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, action)

    async def ask(self, question: Callable[[Store], T]) -> T:
        """Ask the store in its own thread; raises NotKept."""
        return await self._do(lambda: question(self._store))

    def keep(self, rounds: Sequence[Round]) -> None:
        """Take rounds for the next flush; the oldest are dropped, and counted, when too many wait."""
        self._rounds += rounds
        if len(self._rounds) > MOST_WAITING_ROUNDS:
            more = len(self._rounds) - MOST_WAITING_ROUNDS
            del self._rounds[:more]
            self.dropped += more

    async def record(self, changes: Sequence[Change], messages: Sequence[Message]) -> None:
        """Keep changes and messages now, or as soon as the disk can be written again."""
        self._records.append((changes, messages))
        await self.flush()

    async def flush(self) -> None:
        """Write what waits. What cannot be written waits on, and ``trouble`` says why."""
        async with self._writing:
            try:
                await self._write()
            except NotKept as error:
                await self._troubled(error)

    async def _troubled(self, error: NotKept) -> None:
        if error.reason == "full" and await self._do(lambda: ballast.give_back(self._path.parent)):
            log.error("the disk is full; %d MiB held in reserve are given back", ballast.OCTETS >> 20)
            try:
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
            await self.ask(lambda store: store.record(changes, messages))  # noqa: B023  # awaited before the next turn
            del self._records[0]
        if self._rounds:
            batch = list(self._rounds)
            await self.ask(lambda store: store.keep(batch))
            del self._rounds[: len(batch)]
        self.trouble = ""

    @property
    def waiting(self) -> int:
        """Rounds and records that are not on the disk yet."""
        return len(self._rounds) + len(self._records)

    async def close(self) -> None:
        """Write what waits and give the file back."""
        await self.flush()
        await self._do(self._store.close)
        self._thread.shutdown()
