"""When a job of the schedule is due, to the second, and who is told of what: beside `test_schedule.py`."""

import asyncio
import logging
import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.daemon import schedule as schedule_module
from monitor.daemon.clock import HandClock
from monitor.daemon.failing import NotDone
from monitor.daemon.schedule import Job, Schedule

BEGAN_S = 1000.0
"""What a hand clock shows first."""
NOON_S = datetime(2026, 6, 1, 12, 0, tzinfo=UTC).timestamp()


class Sleeper(HandClock):
    """A machine that can be suspended: monotonic time goes on, and nothing of ours runs meanwhile."""

    asleep_s = 0.0

    def monotonic_s(self) -> float:
        return super().monotonic_s() + self.asleep_s

    def suspend(self, seconds: float) -> None:
        self.asleep_s += seconds
        self.set_wall(self.wall_s() + seconds)


@pytest.fixture
def clock() -> Sleeper:
    return Sleeper(NOON_S)


@pytest.fixture
def schedule(clock: Sleeper) -> Schedule:
    return Schedule(clock, ZoneInfo("UTC"))


@asynccontextmanager
async def going(schedule: Schedule) -> AsyncIterator[None]:
    running = asyncio.create_task(schedule.run())
    for _ in range(5):  # what is due at once has begun before the clock is turned
        await asyncio.sleep(0)
    try:
        yield
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


def noting(clock: HandClock, times: list[float], lasts_s: float = 0.0, then_s: float | None = None) -> Job:
    """A job that notes when it begins [s since the clock's own beginning], and may last."""

    async def job() -> float | None:
        times.append(round(clock.monotonic_s() - BEGAN_S, 1))
        if lasts_s:
            await clock.sleep(lasts_s)
        return then_s

    return job


async def test_a_job_runs_at_once_and_then_each_period_unless_it_is_to_wait(clock: Sleeper, schedule: Schedule) -> None:
    at_once, later = list[float](), list[float]()
    schedule.every("at once", 10, noting(clock, at_once))
    schedule.every("later", 10, noting(clock, later), 3)
    async with going(schedule):
        await clock.turn(25)
    assert at_once[0] == 0.0, "at the first tick"
    assert at_once == pytest.approx([0, 10, 20], abs=0.3)
    assert later == pytest.approx([3, 13, 23], abs=0.3)
    assert schedule.late_jobs() == {}
    assert (schedule.late, schedule.jumps, schedule.failed) == (0, 0, "")


async def test_after_a_suspension_a_round_runs_once_and_next_after_half_a_period(
    clock: Sleeper, schedule: Schedule
) -> None:
    times: list[float] = []
    schedule.every("round", 10, noting(clock, times))
    async with going(schedule):
        await clock.turn(15)
        clock.suspend(1000)
        await clock.turn(20)
    assert times == pytest.approx([0, 10, 1015, 1020, 1030], abs=0.5)
    assert schedule.jumps == 0, "both clocks went on together"


async def test_a_job_that_is_wanted_now_runs_at_the_next_tick_or_when_it_is_asked_for(
    clock: Sleeper, schedule: Schedule
) -> None:
    times: list[float] = []
    schedule.every("round", 100, noting(clock, times), 100)
    schedule.every("another", 100, noting(clock, []), 100)
    async with going(schedule):
        await clock.turn(10)
        schedule.now("round")
        await clock.turn(1)
        assert times == pytest.approx([10], abs=0.3)
        schedule.now("round", 5)
        await clock.turn(10)
        assert times == pytest.approx([10, 16], abs=0.3)
        schedule.now("round", 500)
        await clock.turn(200)
    assert times[2] == pytest.approx(116, abs=0.5), "never later than it was due before"


async def test_what_is_wanted_while_it_is_under_way_runs_once_more_after_that(
    clock: Sleeper, schedule: Schedule
) -> None:
    times: list[float] = []
    schedule.every("round", 100, noting(clock, times, 4))
    async with going(schedule):
        await clock.turn(1)
        schedule.now("round")
        schedule.now("round")
        await clock.turn(60)
    assert times == pytest.approx([0, 4], abs=0.5)


async def test_a_job_that_fails_while_it_is_wanted_again_waits_for_its_own_time(
    clock: Sleeper, schedule: Schedule
) -> None:
    times: list[float] = []

    async def job() -> None:
        times.append(clock.monotonic_s() - BEGAN_S)
        await clock.sleep(4)
        raise RuntimeError("no")

    schedule.every("round", 30, job)
    async with going(schedule):
        await clock.turn(1)
        schedule.now("round")
        await clock.turn(27)
    assert len(times) == 1, "what fails is not tried again and again"


async def test_a_job_may_ask_to_run_later_than_its_period(clock: Sleeper, schedule: Schedule) -> None:
    times: list[float] = []
    schedule.every("round", 10, noting(clock, times, then_s=25.0))
    async with going(schedule):
        await clock.turn(60)
    assert times == pytest.approx([0, 25, 50], abs=0.8)


async def test_of_kinds_of_jobs_lateness_is_summed(clock: Sleeper, schedule: Schedule) -> None:
    for place in ("creek", "ridge"):
        schedule.every(f"reach {place}", 10, noting(clock, [], 35))
    schedule.every("judge", 10, noting(clock, []))
    async with going(schedule):
        await clock.turn(35)
    assert schedule.late_jobs() == {"reach": 6}  # at 10, 20 and 30 s, two of them
    assert schedule.late == 6


@pytest.mark.parametrize(("jump_s", "jumps"), [(5.0, 0), (-5.0, 0), (5.5, 1), (-5.5, 1)])
async def test_a_wall_clock_that_is_slewed_has_not_jumped(jump_s: float, jumps: int) -> None:
    """More than five seconds at once is a jump (common practice, no source), and is one jump and not many."""
    clock = HandClock(0.0)
    schedule = Schedule(clock, ZoneInfo("UTC"))
    clock.set_wall(jump_s)
    async with going(schedule):
        await clock.turn(10)
    assert schedule.jumps == jumps


async def test_jumps_are_told_one_by_one_with_their_size(
    clock: Sleeper, schedule: Schedule, caplog: pytest.LogCaptureFixture
) -> None:
    async with going(schedule):
        for jump_s in (3600, -7200):
            clock.set_wall(clock.wall_s() + jump_s)
            await clock.turn(1)
    told = [one.getMessage() for one in caplog.records if "jumped" in one.msg]
    assert [re.findall(r"[+-]\d+", line) for line in told] == [["+3600"], ["-7200"]]


async def test_a_clock_set_back_by_an_hour_makes_a_daily_job_wait_for_its_hour_anew(
    clock: Sleeper, schedule: Schedule, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And one that is set forward within the day takes it along."""
    monkeypatch.setattr(schedule_module, "TICK_S", 60.0)
    ran: list[str] = []

    async def letter() -> None:
        ran.append(datetime.fromtimestamp(clock.wall_s(), UTC).strftime("%d %H:%M"))

    schedule.daily("letter", "14:30", letter)
    async with going(schedule):
        clock.set_wall(NOON_S - 86_400)
        await clock.turn(3 * 3600)
        assert ran == ["31 14:30"], "of the day before, which it is now"
        clock.set_wall(NOON_S)
        await clock.turn(3 * 3600)
    assert ran == ["31 14:30", "01 14:30"]


async def test_a_daily_job_that_failed_is_due_again_after_an_hour_or_at_its_own_time_where_that_is_sooner(
    clock: Sleeper, schedule: Schedule
) -> None:
    async def job() -> None:
        raise NotDone("the history is locked")

    schedule.daily("letter", "12:01", job)
    schedule.daily("fold", "12:02", job)
    async with going(schedule):
        await clock.turn(90)
        letter, fold = schedule.dated
        assert letter.due_s == pytest.approx(NOON_S + 60 + 3600, abs=0.3)
        assert fold.due_s == NOON_S + 120
        await clock.turn(60)
        assert fold.due_s == pytest.approx(NOON_S + 120 + 3600, abs=0.3)


async def test_a_daily_job_that_is_under_way_is_not_doubled(clock: Sleeper, schedule: Schedule) -> None:
    times: list[float] = []
    schedule.daily("letter", "12:01", noting(clock, times, 7 * 3600.0))
    async with going(schedule):
        await clock.turn(90)
        clock.set_wall(clock.wall_s() + 86_400)
        await clock.turn(60)
    assert len(times) == 1


async def test_why_a_job_failed_is_kept_logged_and_told(
    clock: Sleeper, schedule: Schedule, caplog: pytest.LogCaptureFixture
) -> None:
    """What it raised of itself is for people; of anything else only the kind leaves the log."""
    told: list[tuple[str, str]] = []

    async def ended(name: str, why: str) -> None:
        told.append((name, why))

    async def locked() -> None:
        raise NotDone("the history is locked")

    async def secret() -> None:
        raise ValueError("password=hunter2")

    schedule.ended = ended
    schedule.every("good", 1000, noting(clock, []))
    schedule.every("fold", 1000, locked)
    schedule.every("judge", 1000, secret)
    async with going(schedule):
        await clock.turn(1)
        assert schedule.failed == "judge: ValueError('password=hunter2')"
    assert sorted(told) == [("fold", "the history is locked"), ("good", ""), ("judge", "ValueError")]
    errors = [one for one in caplog.records if one.levelno == logging.ERROR]
    assert [bool(one.exc_info) for one in errors] == [False, True], "a trace only where nobody expected it"
    schedule.failed = ""
    schedule.slots = schedule.slots[:2]
    schedule.put("fold", 0)
    async with going(schedule):
        await clock.turn(1)
    assert schedule.failed == "fold: the history is locked"


async def test_before_the_first_job_its_keeper_is_told_of_all_and_at_the_end_what_runs_is_ended(
    clock: Sleeper, schedule: Schedule
) -> None:
    said: list[object] = []

    async def begins(jobs: set[str]) -> None:
        said.append(jobs)

    async def endless() -> None:
        said.append("runs")
        try:
            await clock.sleep(1e9)
        finally:
            said.append("ended")

    schedule.begins = begins
    schedule.closing.append(lambda: said.append("closed"))
    schedule.every("round", 10, endless)
    schedule.daily("letter", "06:30", endless)
    async with going(schedule):
        await clock.turn(1)
    assert said == [{"round", "letter"}, "runs", "ended", "closed"]


async def test_a_keeper_that_cannot_be_told_is_logged_and_the_jobs_run(
    clock: Sleeper, schedule: Schedule, caplog: pytest.LogCaptureFixture
) -> None:
    async def begins(jobs: set[str]) -> None:
        raise RuntimeError("no book")

    times: list[float] = []
    schedule.begins = begins
    schedule.every("round", 10, noting(clock, times))
    async with going(schedule):
        await clock.turn(1)
    assert times
    assert schedule.failed == "the schedule: RuntimeError('no book')"
    assert any(one.exc_info and "nobody could be told" in one.msg for one in caplog.records)


@pytest.mark.parametrize("name", ["round", "letter"])
async def test_tasks_bear_the_names_of_their_jobs(clock: Sleeper, schedule: Schedule, name: str) -> None:
    names: list[str] = []

    async def job() -> None:
        task = asyncio.current_task()
        names.append(task.get_name() if task else "")

    add: dict[str, Callable[[], None]] = {
        "round": lambda: schedule.every("round", 1000, job),
        "letter": lambda: schedule.daily("letter", "12:00", job),
    }
    clock.set_wall(NOON_S - 1)
    add[name]()
    async with going(schedule):
        await clock.turn(2)
    assert names == [name]
