import asyncio
from collections.abc import AsyncIterator
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from monitor.daemon.clock import HandClock
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
