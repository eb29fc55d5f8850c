"""The history is read through after each start; what is damaged is put aside, and brought back while rounds go on."""

import asyncio
import logging
from collections.abc import Iterator
from pathlib import Path

from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.facts.words import listed, say
from monitor.history import mending, wreck
from monitor.history.store import NotKept

log = logging.getLogger(__name__)


class Mending:
    """Runs once after a start, and by the hour to see whether anything still lies aside."""

    def __init__(self, keeper: Keeper, clock: Clock) -> None:
        self._keeper, self._clock = keeper, clock
        self._read_through = False
        self.trouble = ""

    async def run(self) -> None:
        """Check, put aside, bring back; what fails is tried again at the next hour."""
        keeper = self._keeper
        if not keeper.in_a_file or not keeper.writable:
            return
        try:
            if not self._read_through:
                wrong = await asyncio.to_thread(wreck.sound, keeper.path)
                if wrong:
                    await keeper.put_aside(wrong)
                self._read_through = True
            for aside, why in await keeper.ask(lambda store: mending.waiting(store, keeper.folder)):
                await self._bring_back(aside, why)
            self.trouble = await self._told()
        except NotKept as error:
            self.trouble = say("the history is damaged and could not be brought back: {why}", why=str(error))
            log.error("%s", self.trouble)

    async def _bring_back(self, aside: Path, why: str) -> None:
        self.trouble = say("the history is damaged ({why}); what can be read of it is being brought back", why=why)
        found: Iterator[object] = mending.large(aside)
        words, left_out = "", 0
        while True:
            one = await asyncio.to_thread(next, found, None)
            if one is None:
                break
            if isinstance(one, str):
                words = one
            elif isinstance(one, tuple):
                table, rows = one
                left_out += await self._keeper.ask(lambda store: store.put_back(table, rows))  # noqa: B023  # awaited before the next turn
        left_out += await self._keeper.ask(lambda store: mending.left_out(store, aside))
        if left_out:
            words += f"; {left_out} rows cannot be right and were left out"
        log.warning("%s: %s", aside.name, words)
        await self._keeper.ask(lambda store: store.note(self._clock.wall_s(), "mended", aside.name, words))

    async def _told(self) -> str:
        """What lies aside, in words, until its owner has taken it away."""
        lying = sorted(self._keeper.folder.glob(f"{mending.PREFIX}*"))
        why = {name: words for _, name, words in await self._keeper.ask(lambda store: store.notes("quarantined"))}
        what = {name: words for _, name, words in await self._keeper.ask(lambda store: store.notes("mended"))}
        told: list[str] = []
        for file in lying:
            if file.name in why:
                then = what.get(file.name) or say("not read again yet")
                told.append(say("{file} was damaged ({why}): {then}", file=str(file), why=why[file.name], then=then))
            elif file.suffix == ".wal":
                told.append(
                    say("{file} is a log of the history with damaged pages; they have been mended", file=str(file))
                )
        return listed([*told, say("delete what you do not need any more")]) if told else ""
