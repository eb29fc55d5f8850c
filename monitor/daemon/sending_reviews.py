"""The monthly review by itself: made in a process of its own, laid into the data directory, and sent."""

import asyncio
import importlib.util
import logging
import os
import sys
from datetime import datetime, timedelta
from pathlib import Path

from monitor.alarms.messages import Message
from monitor.daemon.clock import Clock
from monitor.daemon.failing import NotDone
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.facts.words import say
from monitor.history.store import NotKept
from monitor.plan.parts import Reviews
from monitor.show.child import first_to_go

log = logging.getLogger(__name__)

REVIEWED = "review"
"""Kind of the event by which a review that was made is remembered; its resource is the month."""
LONGEST_S = 600.0


class SendingReviews:
    """Reviews under one plan. What makes them takes memory, so that it must not be this process."""

    def __init__(self, memory: Memory, keeper: Keeper, clock: Clock, plan_file: Path, history_url: str | None) -> None:
        self._memory, self._keeper, self._clock = memory, keeper, clock
        self._plan_file, self._url = plan_file, history_url

    async def look(self) -> None:
        """Make and send last month's review, if its day has come and it was not made yet. Raises NotDone."""
        wanted = self._memory.plan.reviews
        local = datetime.fromtimestamp(self._clock.wall_s(), self._memory.design.zone)
        if wanted is None or local.day < wanted.day:
            return
        month = (local.replace(day=1) - timedelta(days=1)).strftime("%Y-%m")
        try:
            made = await self._keeper.ask(lambda store: store.notes(REVIEWED))
            if month in {resource for _, resource, _ in made}:
                return
            await self._make(month, wanted)
        except NotKept as error:
            raise NotDone(say("the review of {month} waits: {why}", month=month, why=str(error))) from None

    async def _make(self, month: str, wanted: Reviews) -> None:
        folder = self._keeper.folder / "reviews"
        folder.mkdir(mode=0o750, exist_ok=True)
        files = [folder / f"{month}.html"]
        if importlib.util.find_spec("typst") is not None:
            files.append(folder / f"{month}.pdf")
        words = await self._review(month)
        await self._review(month, *(text for file in files for text in ("--out", str(file))))
        now_s = self._clock.wall_s()
        await self._keeper.ask(lambda store: store.note(now_s, REVIEWED, month, str(files[-1])))
        site, tongue = self._memory.plan.site.name, self._memory.design.tongue_of("")
        subject = tongue.say(say("{site}: review of {month}", site=site, month=month))
        where = tongue.say(say("The whole review: {file}, and the page under Reviews.", file=str(files[-1])))
        about = (site, "review", subject, f"{words}\n\n{where}", now_s, now_s, str(files[-1]))
        await self._keeper.record([], [Message(to, to, "review", *about) for to in wanted.to])
        log.info("the review of %s is made: %s", month, ", ".join(map(str, files)))

    async def _review(self, month: str, *more: str) -> str:
        """What ``farpole review`` says; raises NotDone where it failed."""
        given = ["--plan", str(self._plan_file), "--data", str(self._keeper.folder), "--month", month, *more]
        command = [sys.executable, "-m", "monitor", "review", *given]
        environment = {**os.environ, **({"FARPOLE_HISTORY": self._url} if self._url else {})}
        pipe = asyncio.subprocess.PIPE
        process = await asyncio.create_subprocess_exec(*command, stdout=pipe, stderr=pipe, env=environment)
        first_to_go(process.pid)
        try:
            async with asyncio.timeout(LONGEST_S):
                out, err = await process.communicate()
        except TimeoutError:
            words = say("the review of {month} was not made within {seconds:.0f} s", month=month, seconds=LONGEST_S)
            raise NotDone(words) from None
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        if process.returncode:
            killed = say("it was ended from outside, as where memory runs out") if process.returncode < 0 else ""
            why = err.decode(errors="replace").strip()[-500:] or killed
            raise NotDone(say("the review of {month} could not be made: {why}", month=month, why=why))
        return out.decode().strip()
