"""The centre's tables as what its ingesters need, each question in a thread of its own."""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from monitor.centre.parcel import Parcel
from monitor.centre.ports import Known, NotNow
from monitor.history.central import Central, RoundsOf
from monitor.history.outbound import ROUNDS
from monitor.history.trouble import NotKept

T = TypeVar("T")

MOST_TOGETHER = 64
"""Parcels of rounds in one transaction; more processes keep more at a time."""
KEY_LASTS_S = 5.0
"""So long after it was shut out a site may still be let in."""


class CentralInbox:
    """Fills the ingesters' inbox from PostgreSQL."""

    def __init__(self, central: Central, monotonic_s: Callable[[], float], at_once: int) -> None:
        self._central, self._monotonic_s = central, monotonic_s
        self._threads = ThreadPoolExecutor(at_once, "centre")
        self._rounds: list[tuple[RoundsOf, asyncio.Future[str]]] = []
        self._keeping: asyncio.Task[None] | None = None
        self._keys: dict[str, tuple[float, str | None]] = {}

    async def ask(self, question: Callable[[Central], T]) -> T:
        """Ask the tables; raises NotNow."""
        try:
            loop = asyncio.get_running_loop()
            return await loop.run_in_executor(self._threads, lambda: question(self._central))
        except NotKept as error:
            raise NotNow(str(error)) from None

    async def key_of(self, site: str) -> str | None:
        """The public key of a site; None where there is none, or it is shut out."""
        now_s = self._monotonic_s()
        known = self._keys.get(site)
        if known is None or known[0] < now_s - KEY_LASTS_S:
            if len(self._keys) > 100_000:  # names of a stranger's making
                self._keys.clear()
            known = self._keys[site] = now_s, await self.ask(lambda central: central.key_of(site))
        return known[1]

    async def known(self, site: str) -> Known:
        """What is there of a site."""
        return Known(*await self.ask(lambda central: central.known(site)))

    async def keep(self, site: str, parcel: Parcel, now_s: float) -> str:
        """Keep a parcel; why it is refused, or empty once it is on the disk."""
        head = parcel.head
        if head.get("kind") != ROUNDS:
            return await self.ask(lambda central: central.keep(site, head, parcel.blobs, now_s))
        up_to, alive_s = head.get("up_to"), head.get("alive_s")
        if not all(isinstance(one, int | float | None) for one in (up_to, alive_s)):
            return "it is not as it should be"
        waiting: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._rounds.append((RoundsOf(site, parcel.number, parcel.blobs, up_to, alive_s, now_s), waiting))
        self._next()
        return await waiting

    def _next(self) -> None:
        """What has come while others were being kept goes together: one transaction, one flush of the disk."""
        if self._rounds and self._keeping is None:
            some, self._rounds = self._rounds[:MOST_TOGETHER], self._rounds[MOST_TOGETHER:]
            self._keeping = asyncio.create_task(self._together(some))
            self._keeping.add_done_callback(self._kept)

    def _kept(self, _: "asyncio.Task[None]") -> None:
        self._keeping = None
        self._next()

    async def _together(self, some: list[tuple[RoundsOf, "asyncio.Future[str]"]]) -> None:
        try:
            outcomes: list[str | NotNow] = list(await self.ask(lambda c: c.keep_rounds([one for one, _ in some])))
        except NotNow as error:
            outcomes = [error] * len(some)
        for (_, waiting), outcome in zip(some, outcomes, strict=True):
            if waiting.done():
                continue
            if isinstance(outcome, str):
                waiting.set_result(outcome)
            else:
                waiting.set_exception(outcome)

    def close(self) -> None:
        """End the threads."""
        self._threads.shutdown()
