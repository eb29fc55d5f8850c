"""Test messages: one to each person at the start, one a week where nothing else went, and never two at once."""

from collections.abc import AsyncIterator
from datetime import datetime
from pathlib import Path
from typing import cast

import pytest

from monitor.alarms.callouts import in_hours
from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.post import Post
from monitor.daemon.proving import WEEK_S, Proving
from monitor.daemon.rounds import Rounds
from monitor.notify.carrier import Carrier
from tests.daemon.test_post import Line

HOUR_S = 3600.0


class Bureau:
    """Everything between the plan's people and a carrier that notes."""

    def __init__(self, design: Design, keeper: Keeper, clock: HandClock) -> None:
        self.clock, self.line = clock, Line()
        self.rounds = Rounds(Memory(design), cast("Asking", None), keeper, clock, lambda: None)
        self.post = Post(self.rounds, keeper, cast("Carrier", self.line), clock)
        self.proving = Proving(self.rounds, keeper, clock)

    async def hours(self, hours: float) -> int:
        """Look each hour; how many messages went."""
        before = len(self.line.sent)
        for _ in range(int(hours)):
            await self.clock.turn(HOUR_S)
            await self.proving.look()
            await self.post.send()
            await self.post.settled()
        return len(self.line.sent) - before


@pytest.fixture
async def bureau(design: Design, tmp_path: Path) -> AsyncIterator[Bureau]:
    clock = HandClock()
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    yield Bureau(design, keeper, clock)
    await keeper.close()


async def test_one_at_the_start_and_one_a_week(bureau: Bureau) -> None:
    people = bureau.rounds.memory.plan.callouts
    assert await bureau.hours(1) == len(people)
    assert all("nothing is wrong" in body for _, _, body in bureau.line.sent)
    assert await bureau.hours(WEEK_S / HOUR_S - 2) == 0
    assert await bureau.hours(2) == len(people)
    assert bureau.rounds.memory.unproven == ()


async def test_a_way_that_is_shut_is_said_and_gathers_one_message_a_week(bureau: Bureau) -> None:
    await bureau.hours(1)
    bureau.line.down = True
    await bureau.hours(24 * 7 + 1)
    bureau.line.down = False
    people = bureau.rounds.memory.plan.callouts
    assert await bureau.hours(1) == len(people)
    bureau.line.down = True
    await bureau.hours(24 * 9)
    said = bureau.rounds.memory.unproven
    assert len(said) == len(people)
    assert "is not proven: the last message went there" in said[0]


async def test_nobody_is_tested_at_night(bureau: Bureau) -> None:
    design = bureau.rounds.memory.design
    people = [one.model_copy(update={"hours": "08:00-18:00"}) for one in design.plan.callouts]
    object.__setattr__(design, "plan", design.plan.model_copy(update={"callouts": people}))
    for _ in range(30):
        if await bureau.hours(1):
            local = datetime.fromtimestamp(bureau.clock.wall_s(), design.zone)
            assert in_hours("08:00-18:00", local)
            return
    pytest.fail("nobody was tested within thirty hours")
