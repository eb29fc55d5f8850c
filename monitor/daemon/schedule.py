"""When: monotonic rounds and calendar jobs in one tick, and a watch on the wall clock.

Rounds follow the monotonic clock, so a wall clock that jumps neither storms nor falls silent. APScheduler (<4)
computes when a calendar job is due; its own timers read the machine's clock and are not used. Every job is awaited
in one place, which logs how it came out and tells whoever keeps the alarm.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import date, datetime, tzinfo

from apscheduler.triggers.cron import CronTrigger

from monitor.daemon.clock import Clock
from monitor.daemon.ending import end
from monitor.daemon.failing import NotDone

log = logging.getLogger(__name__)

TICK_S = 0.2
JUMP_S = 5.0
RETRY_S = 3600.0
"""A calendar job that failed is tried again so much later (common practice, no source)."""
Job = Callable[[], Awaitable[float | None]]


@dataclass
class _Slot:
    """A job of a period; ``due_s`` is monotonic time."""

    name: str
    job: Job
    period_s: float
    due_s: float
    task: asyncio.Task[None] | None = None
    late: int = 0
    again: bool = False
    a_round: bool = True


@dataclass
class _Dated:
    """A job of the calendar; ``due_s`` is wall time."""

    name: str
    job: Job
    trigger: CronTrigger
    due_s: float = 0.0
    day: date | None = None
    """The site's day for which it ran last: once a day, also where an hour comes twice or the clock is set back."""
    task: asyncio.Task[None] | None = None

    def arm(self, now_s: float, zone: tzinfo) -> None:
        """Due at the next time of the calendar on a day for which it has not run."""
        from_s = now_s
        while True:
            due = self.trigger.get_next_fire_time(None, datetime.fromtimestamp(from_s, zone))
            self.due_s = due.timestamp()
            if due.date() != self.day:
                return
            from_s = self.due_s + 1.0


async def _nobody(name: str, why: str) -> None:
    """Nobody keeps an alarm here."""


async def _nothing(jobs: set[str]) -> None:
    """The same."""


@dataclass
class Schedule:
    """Periodic jobs and calendar jobs of one daemon."""

    clock: Clock
    zone: tzinfo
    slots: list[_Slot] = field(default_factory=list)
    dated: list[_Dated] = field(default_factory=list)
    late: int = 0
    jumps: int = 0
    failed: str = ""
    closing: list[Callable[[], None]] = field(default_factory=list)
    """What is called when the schedule has ended."""
    ended: Callable[[str, str], Awaitable[None]] = _nobody
    """Told of each job that has run, and why it failed, or empty."""
    begins: Callable[[set[str]], Awaitable[None]] = _nothing
    """Told of the names of all jobs before the first one runs."""

    def __post_init__(self) -> None:
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

    def daily(self, name: str, at: str, job: Job) -> None:
        """Run ``job`` each day at ``HH:MM`` site time; where it fails, again an hour later."""
        hour, minute = at.split(":")
        one = _Dated(name, job, CronTrigger(hour=hour, minute=minute, timezone=self.zone))
        one.arm(self.clock.wall_s(), self.zone)
        self.dated.append(one)

    @property
    def jobs(self) -> list[_Slot | _Dated]:
        """All jobs, of a period and of the calendar."""
        return [*self.slots, *self.dated]

    async def run(self) -> None:
        """Tick until cancelled; a job that fails is logged and runs again at its next time."""
        try:
            await self._told("the schedule", self.begins({one.name for one in self.jobs}))
            while True:
                self._watch_wall()
                now_s, wall_s = self.clock.monotonic_s(), self.clock.wall_s()
                for slot in self.slots:
                    if now_s >= slot.due_s:
                        self._start(slot, now_s)
                for one in self.dated:
                    if wall_s >= one.due_s and (one.task is None or one.task.done()):
                        self._start_dated(one)
                await self.clock.sleep(TICK_S)
        finally:
            await end(one.task for one in self.jobs if one.task)
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

    def _start_dated(self, one: _Dated) -> None:
        """However many of its times were missed, it runs once."""
        one.day = datetime.fromtimestamp(one.due_s, self.zone).date()
        one.arm(self.clock.wall_s(), self.zone)
        one.task = asyncio.create_task(self._run_dated(one), name=one.name)

    async def _run(self, slot: _Slot) -> None:
        why, soon_s = await self._do(slot.name, slot.job)
        if slot.again and not why:
            slot.again, slot.due_s = False, self.clock.monotonic_s()
        elif soon_s is not None:
            slot.due_s = self.clock.monotonic_s() + soon_s

    async def _run_dated(self, one: _Dated) -> None:
        why, _ = await self._do(one.name, one.job)
        if why:
            one.due_s = min(one.due_s, self.clock.wall_s() + RETRY_S)

    async def _do(self, name: str, job: Job) -> tuple[str, float | None]:
        """The one place where jobs are awaited: why it failed, or empty, and after how long it wants to run [s]."""
        why, soon_s = "", None
        try:
            soon_s = await job()
        except NotDone as error:
            why = str(error)
            self.failed = f"{name}: {why}"
            log.error("%s was not done: %s", name, why)
        except Exception as error:  # one job must never end the others; it is logged with its trace
            why = type(error).__name__  # its text may hold what only the log should
            self.failed = f"{name}: {error!r}"
            log.exception("%s failed; it runs again at its next time", name)
        await self._told(name, self.ended(name, why))
        return why, soon_s

    async def _told(self, name: str, telling: Awaitable[None]) -> None:
        try:
            await telling
        except Exception as error:  # whoever keeps the alarm is no job, and must not end one
            self.failed = f"{name}: {error!r}"
            log.exception("nobody could be told how it is with %s", name)

    def _watch_wall(self) -> None:
        difference_s = self.clock.wall_s() - self.clock.monotonic_s()
        jump_s = difference_s - self._difference_s
        if abs(jump_s) > JUMP_S:
            self._difference_s = difference_s
            self.jumps += 1
            log.warning("the wall clock jumped by %+.0f s; calendar jobs are armed again", jump_s)
            for one in self.dated:
                if one.due_s > self.clock.wall_s():  # what was jumped over is due now
                    one.arm(self.clock.wall_s(), self.zone)
