import asyncio
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from monitor.daemon.clock import HandClock
from monitor.daemon.failing import NotDone
from monitor.daemon.schedule import Schedule


@pytest.fixture
async def clock() -> HandClock:
    return HandClock()


@pytest.fixture
async def schedule(clock: HandClock) -> AsyncIterator[Schedule]:
    made = Schedule(clock, ZoneInfo("UTC"))
    running = asyncio.create_task(made.run())
    await asyncio.sleep(0)
    yield made
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_rounds_come_at_their_period(clock: HandClock, schedule: Schedule) -> None:
    times: list[float] = []

    async def job() -> None:
        times.append(clock.monotonic_s())

    schedule.every("round", 15, job)
    await clock.turn(61)
    assert len(times) == 5
    assert all(14.7 <= b - a <= 15.3 for a, b in pairwise(times))


@pytest.mark.parametrize("jump_s", [-86_400 * 365 * 20, -3600, 3600, 86_400, 86_400 * 365 * 20])
async def test_a_wall_clock_that_jumps_neither_storms_nor_falls_silent(
    clock: HandClock, schedule: Schedule, jump_s: float
) -> None:
    times: list[float] = []

    async def job() -> None:
        times.append(clock.monotonic_s())

    schedule.every("round", 15, job)
    await clock.turn(31)
    clock.set_wall(clock.wall_s() + jump_s)
    await clock.turn(60)
    assert len(times) == 7
    assert schedule.jumps == 1


async def test_a_doubt_is_asked_again_soon(clock: HandClock, schedule: Schedule) -> None:
    times: list[float] = []

    async def job() -> float | None:
        times.append(clock.monotonic_s())
        return 1.0 if len(times) < 3 else None

    schedule.every("reach", 15, job)
    await clock.turn(10)
    assert len(times) == 3
    assert times[2] - times[0] < 3


async def test_a_job_that_fails_ends_neither_itself_nor_the_others(clock: HandClock, schedule: Schedule) -> None:
    ran = {"good": 0, "bad": 0}

    async def bad() -> None:
        ran["bad"] += 1
        raise RuntimeError("no")

    async def good() -> None:
        ran["good"] += 1

    schedule.every("bad", 5, bad)
    schedule.every("good", 5, good)
    await clock.turn(21)
    assert ran == {"good": 5, "bad": 5}
    assert "bad" in schedule.failed


async def test_a_slow_job_is_counted_late_and_never_doubled(clock: HandClock, schedule: Schedule) -> None:
    under_way = most = 0

    async def slow() -> None:
        nonlocal under_way, most
        under_way += 1
        most = max(most, under_way)
        await clock.sleep(12)
        under_way -= 1

    schedule.every("slow", 5, slow)
    await clock.turn(60)
    assert most == 1
    assert schedule.late >= 3


async def test_what_only_looks_often_is_no_late_round(clock: HandClock, schedule: Schedule) -> None:
    async def slow() -> None:
        await clock.sleep(40)

    schedule.every("reach creek", 15, slow)
    schedule.every("send", 15, slow, a_round=False)
    await clock.turn(70)
    assert schedule.late_jobs() == {"reach": 3, "send": 3}  # at 15, 30 and 60 s
    assert schedule.late == 3


async def test_a_job_is_put_to_another_time(clock: HandClock, schedule: Schedule) -> None:
    times: list[float] = []
    began_s = clock.monotonic_s()

    async def job() -> None:
        times.append(clock.monotonic_s() - began_s)

    schedule.every("reach creek", 15, job, 5)
    schedule.put("reach creek", 9)
    await clock.turn(30)
    assert [round(at_s) for at_s in times] == [9, 24]


MORNING_S = datetime(2026, 10, 3, 19, 0, tzinfo=UTC).timestamp()
"""06:00 of 4 October 2026 at Sydney, the day on which summer time begins there (tz database, Australia/Sydney)."""
SYDNEY = ZoneInfo("Australia/Sydney")


class Calendar:
    """A schedule at Sydney that is turned by the minute, and when its one daily job ran."""

    def __init__(self, wall_s: float) -> None:
        self.clock = HandClock(wall_s)
        self.schedule = Schedule(self.clock, SYDNEY)
        self.ran: list[str] = []
        self.told: list[tuple[str, str]] = []
        self.schedule.ended = self._ended

    async def _ended(self, name: str, why: str) -> None:
        self.told.append((name, why))

    async def letter(self) -> None:
        await asyncio.sleep(0)
        self.ran.append(datetime.fromtimestamp(self.clock.wall_s(), SYDNEY).strftime("%d %H:%M"))

    async def turned(self, hours: float) -> None:
        running = asyncio.create_task(self.schedule.run())
        await asyncio.sleep(0)
        await self.clock.turn(hours * 3600)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


@pytest.fixture
def slowly(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tick a minute: days pass in seconds."""
    monkeypatch.setattr("monitor.daemon.schedule.TICK_S", 60.0)


@pytest.mark.usefixtures("slowly")
async def test_a_daily_job_is_awaited_each_day_however_it_is_handed_in() -> None:
    """A function that only returns a coroutine is a job like any other: what it returns is awaited."""
    at = Calendar(MORNING_S - 3600)
    at.schedule.daily("letter", "06:30", lambda: at.letter())
    await at.turned(72)
    assert at.ran == ["04 06:30", "05 06:30", "06 06:30"]
    assert set(at.told) == {("letter", "")}


@pytest.mark.usefixtures("slowly")
@pytest.mark.parametrize(
    ("day", "hour"),
    [(datetime(2026, 10, 3, 12, tzinfo=UTC), "02:30"), (datetime(2026, 4, 4, 12, tzinfo=UTC), "02:30")],
)
async def test_an_hour_that_is_missing_or_comes_twice_makes_neither_none_nor_two(day: datetime, hour: str) -> None:
    """Summer time at Sydney begins on 4 October 2026 at 02:00 and ends on 5 April 2026 at 03:00 (tz database)."""
    at = Calendar(day.timestamp())
    at.schedule.daily("letter", hour, at.letter)
    await at.turned(24)
    assert len(at.ran) == 1


@pytest.mark.usefixtures("slowly")
async def test_a_clock_that_is_set_back_past_the_hour_makes_no_second_one_that_day() -> None:
    at = Calendar(MORNING_S)
    at.schedule.daily("letter", "06:30", at.letter)
    await at.turned(1)
    at.clock.set_wall(MORNING_S)
    await at.turned(2)
    assert at.ran == ["04 06:30"]
    await at.turned(24)
    assert at.ran == ["04 06:30", "05 06:30"]


@pytest.mark.usefixtures("slowly")
async def test_a_clock_that_was_years_ahead_keeps_nothing_back() -> None:
    at = Calendar(MORNING_S + 20 * 365 * 86_400)
    at.schedule.daily("letter", "06:30", at.letter)
    await at.turned(48)
    at.ran.clear()
    at.clock.set_wall(MORNING_S)
    await at.turned(1)
    assert at.ran == ["04 06:30"]


@pytest.mark.usefixtures("slowly")
async def test_an_hour_that_was_jumped_over_is_made_up_for_once() -> None:
    """A box that slept from five to eight, or for a week."""
    at = Calendar(MORNING_S)
    at.schedule.daily("letter", "06:30", at.letter)
    await at.turned(0.1)
    at.clock.set_wall(MORNING_S + 7 * 86_400 + 7200)
    await at.turned(1)
    assert at.ran == ["11 08:01"], "at the first tick after it"


@pytest.mark.usefixtures("slowly")
async def test_one_that_starts_after_midnight_counts_for_the_day_before() -> None:
    at = Calendar(MORNING_S)
    at.schedule.daily("letter", "23:59", at.letter)
    await at.turned(17.96)
    at.clock.set_wall(MORNING_S + 18.01 * 3600)
    await at.turned(48)
    assert at.ran == ["05 00:01", "05 23:59", "06 23:59"]


@pytest.mark.usefixtures("slowly")
async def test_a_daily_job_that_fails_is_told_tried_again_each_hour_and_told_when_it_succeeds() -> None:
    at = Calendar(MORNING_S)
    wrong = ["the history is locked", "", "the history is locked"]

    async def job() -> None:
        if wrong:
            why = wrong.pop()
            raise NotDone(why) if why else RuntimeError("boom")
        await at.letter()

    at.schedule.daily("letter", "06:30", job)
    await at.turned(10)
    assert at.ran == ["04 09:30"]
    assert at.told == [
        ("letter", "the history is locked"),
        ("letter", "RuntimeError"),
        ("letter", "the history is locked"),
        ("letter", ""),
    ]
    await at.turned(24)
    assert at.ran == ["04 09:30", "05 06:30"]


async def test_who_is_told_of_a_failure_may_fail_too(clock: HandClock, schedule: Schedule) -> None:
    ran = 0

    async def job() -> None:
        nonlocal ran
        ran += 1

    async def broken(name: str, why: str) -> None:
        raise RuntimeError("the book cannot be stepped")

    schedule.ended = broken
    schedule.every("round", 5, job)
    await clock.turn(21)
    assert ran == 5
    assert "the book cannot be stepped" in schedule.failed
