"""A job that fails is an alarm of farpole's own until it succeeds, also over a reload and over a restart."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import cast

import pytest

from monitor.alarms.book import Book
from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.failing import Failing
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.remembering import under
from monitor.daemon.rounds import Rounds

JOBS = {"fold", "letter jo", "send"}


class Box:
    """Rounds that ask nobody."""

    def __init__(self, design: Design, keeper: Keeper, memory: Memory | None = None) -> None:
        self.rounds = Rounds(memory or Memory(design), cast("Asking", None), keeper, HandClock(), lambda: None)
        self.failing = Failing(self.rounds)

    @property
    def said(self) -> list[str]:
        """What the alarms that stand say."""
        return sorted(alarm.text for alarm in self.rounds.memory.book.raised())


@pytest.fixture
async def keeper(tmp_path: Path) -> AsyncIterator[Keeper]:
    made = Keeper(tmp_path / "history.sqlite", HandClock())
    await made.open()
    yield made
    await made.close()


LETTER, FOLD = "the job letter jo failed: the disk is full", "the job fold failed: RuntimeError"


async def test_each_job_that_fails_is_an_alarm_until_it_succeeds(design: Design, keeper: Keeper) -> None:
    box = Box(design, keeper)
    await box.failing.begin(JOBS)
    await box.failing.ended("fold", "")
    assert box.said == []
    await box.failing.ended("letter jo", "the disk is full")
    assert box.said == [LETTER]
    await box.failing.ended("fold", "")
    assert box.said == [LETTER], "another job proves nothing"
    await box.failing.ended("fold", "RuntimeError")
    assert box.said == [FOLD, LETTER]
    await box.failing.ended("letter jo", "")
    assert box.said == [FOLD]
    await box.failing.ended("fold", "")
    assert box.said == []


async def test_a_reload_mends_nothing_and_a_job_that_is_gone_fails_no_more(design: Design, keeper: Keeper) -> None:
    box = Box(design, keeper)
    await box.failing.ended("letter jo", "the disk is full")
    await box.failing.ended("fold", "RuntimeError")
    again = Box(design, keeper, under(box.rounds.memory, design))
    await again.failing.begin(JOBS)
    assert again.said == [FOLD, LETTER]
    without_jo = Box(design, keeper, under(again.rounds.memory, design))
    await without_jo.failing.begin(JOBS - {"letter jo"})
    assert without_jo.said == [FOLD]


async def test_after_a_restart_it_stands_until_that_job_succeeds(design: Design, keeper: Keeper) -> None:
    box = Box(design, keeper)
    await box.failing.ended("letter jo", "the disk is full")
    memory = Memory(design)
    memory.book = Book({alarm.key: alarm for alarm in await keeper.ask(lambda store: store.alarms())})
    restarted = Box(design, keeper, memory)
    await restarted.failing.begin(JOBS)
    await restarted.failing.ended("fold", "")
    assert restarted.said == [LETTER]
    await restarted.failing.ended("letter jo", "")
    assert restarted.said == []
