"""When: monotonic rounds in one tick, calendar jobs by APScheduler, and a watch on the wall clock.

Rounds follow the monotonic clock, so a wall clock that jumps neither storms nor falls silent. APScheduler
(<4) computes with the wall clock: after a jump its jobs are armed again.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import tzinfo

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger

from monitor.daemon.clock import Clock
from monitor.daemon.ending import end

log = logging.getLogger(__name__)

TICK_S = 0.2
JUMP_S = 5.0
Job = Callable[[], Awaitable[float | None]]


@dataclass
class _Slot:
    name: str
    job: Job
    period_s: float
    due_s: float
    task: asyncio.Task[float | None] | None = None
    late: int = 0
    again: bool = False
    a_round: bool = True


@dataclass
class Schedule:
    """Periodic jobs and calendar jobs of one daemon."""

    clock: Clock
    zone: tzinfo
    slots: list[_Slot] = field(default_factory=list)
    late: int = 0
    jumps: int = 0
    failed: str = ""
    closing: list[Callable[[], None]] = field(default_factory=list)
    """What is called when the schedule has ended."""

    def __post_init__(self) -> None:
        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        self._calendar = AsyncIOScheduler(
            timezone=self.zone, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
        )
        self._difference_s = self.clock.wall_s() - self.clock.monotonic_s()

    def every(self, name: str, period_s: float, job: Job, first_s: float = 0.0, a_round: bool = True) -> None:
        """Run ``job`` each ``period_s``, first after ``first_s``; it may ask to run again sooner, or
        later, by returning seconds. A run that is still under way is never doubled: the round is counted as late,
        unless the job is no round but only looks often whether there is anything to do."""
        self.slots.append(_Slot(name, job, period_s, self.clock.monotonic_s() + first_s, a_round=a_round))

    def put(self, name: str, after_s: float) -> None:
        """Run the job of that name after so long, whatever it was due before."""
        for slot in self.slots:
            if slot.name == name:
                slot.due_s = self.clock.monotonic_s() + after_s

    def late_jobs(self) -> dict[str, int]:
        """Kind of job → how often it was late, for those that ever were."""
        found: dict[str, int] = {}
        for slot in self.slots:
            if slot.late:
                kind = slot.name.split()[0]
                found[kind] = found.get(kind, 0) + slot.late
        return found

    def now(self, name: str, after_s: float = 0.0) -> None:
        """Run the job of that name at the next tick, or a little later; where it is under way, once more after that."""
        for slot in self.slots:
            if slot.name == name:
                if slot.task is not None and not slot.task.done():
                    slot.again = True
                else:
                    slot.due_s = min(slot.due_s, self.clock.monotonic_s() + after_s)

    def daily(self, name: str, at: str, job: Callable[[], Awaitable[None]]) -> None:
        """Run ``job`` each day at ``HH:MM`` site time."""
        hour, minute = at.split(":")
        self._calendar.add_job(job, CronTrigger(hour=hour, minute=minute, timezone=self.zone), id=name, name=name)

    async def run(self) -> None:
        """Tick until cancelled; a job that fails is logged and runs again at its next time."""
        self._calendar.start()
        try:
            while True:
                self._watch_wall()
                now_s = self.clock.monotonic_s()
                for slot in self.slots:
                    if now_s >= slot.due_s:
                        self._start(slot, now_s)
                await self.clock.sleep(TICK_S)
        finally:
            self._calendar.shutdown(wait=False)
            await self._stop_tasks()
            for close in self.closing:
                close()

    def _start(self, slot: _Slot, now_s: float) -> None:
        # Rounds missed while the box was suspended are not made up for: the next one is due one period from now.
        slot.due_s = max(slot.due_s + slot.period_s, now_s + slot.period_s / 2)
        if slot.task is not None and not slot.task.done():
            slot.late += 1
            self.late += slot.a_round
            return
        slot.task = asyncio.create_task(self._run(slot), name=slot.name)

    async def _run(self, slot: _Slot) -> float | None:
        try:
            soon_s = await slot.job()
        except Exception as error:  # one job must never end the others; it is logged with its trace
            self.failed = f"{slot.name}: {error!r}"
            log.exception("%s failed; it runs again at its next time", slot.name)
            return None
        if slot.again:
            slot.again, slot.due_s = False, self.clock.monotonic_s()
        elif soon_s is not None:
            slot.due_s = self.clock.monotonic_s() + soon_s
        return soon_s

    def _watch_wall(self) -> None:
        difference_s = self.clock.wall_s() - self.clock.monotonic_s()
        jump_s = difference_s - self._difference_s
        if abs(jump_s) > JUMP_S:
            self._difference_s = difference_s
            self.jumps += 1
            log.warning("the wall clock jumped by %+.0f s; calendar jobs are armed again", jump_s)
            for job in self._calendar.get_jobs():
                self._calendar.reschedule_job(job.id, trigger=job.trigger)

    async def _stop_tasks(self) -> None:
        await end(slot.task for slot in self.slots if slot.task)
