"""The morning letter: once for each hour at which one was due, also where farpole was off at that hour."""

from collections.abc import AsyncIterator
from datetime import datetime
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

import pytest

from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.failing import NotDone
from monitor.daemon.keeper import Keeper
from monitor.daemon.letters import Letters
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.history.store import NotKept, Store

SYDNEY = ZoneInfo("Australia/Sydney")


def at(day: int, hour: int, minute: int = 0) -> float:
    return datetime(2026, 11, day, hour, minute, tzinfo=SYDNEY).timestamp()


class Office:
    def __init__(self, design: Design, keeper: Keeper, clock: HandClock) -> None:
        self.clock, self.keeper = clock, keeper
        self.rounds = Rounds(Memory(design), cast("Asking", None), keeper, clock, lambda: None)
        self.person = next(one for one in design.plan.callouts if one.at)
        assert self.person.at == "06:30"
        self.letters = Letters(self.rounds, keeper, clock)

    async def looked(self, now_s: float, first: bool = False) -> int:
        """How many letters there are after a look."""
        self.clock.set_wall(now_s)
        await self.letters.look(self.person, first)
        return len([one for one in await self.keeper.ask(lambda s: s.due(4e9)) if one.message.kind == "letter"])


@pytest.fixture
async def office(design: Design, tmp_path: Path) -> AsyncIterator[Office]:
    clock = HandClock(at(3, 5))
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    yield Office(design, keeper, clock)
    await keeper.close()


async def test_nobody_has_missed_a_first_letter(office: Office) -> None:
    assert await office.looked(at(3, 9)) == 0
    assert await office.looked(at(4, 6, 30), first=True) == 1
    assert await office.looked(at(4, 6, 30), first=True) == 1


async def test_an_hour_at_which_farpole_was_off_is_made_up_for_once(office: Office) -> None:
    assert await office.looked(at(3, 6, 30), first=True) == 1
    assert await office.looked(at(4, 6, 29)) == 1, "not before its hour"
    assert await office.looked(at(4, 8)) == 2
    assert await office.looked(at(4, 9)) == 2
    assert await office.looked(at(20, 5)) == 3, "of many missed hours, one letter"
    assert await office.looked(at(20, 6, 30), first=True) == 4


async def test_a_clock_that_was_set_back_makes_no_second_one_and_years_ahead_none_too_few(office: Office) -> None:
    assert await office.looked(at(3, 6, 30), first=True) == 1
    assert await office.looked(at(3, 6, 0), first=True) == 1
    assert await office.looked(at(3, 6, 30), first=True) == 1
    assert await office.looked(at(3, 6, 30) + 20 * 365 * 86_400, first=True) == 2
    assert await office.looked(at(4, 6, 30), first=True) == 3


async def test_a_history_that_cannot_be_read_is_told(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    def lost(self: Store, question: object) -> None:
        raise NotKept("the disk does not answer", "lost")

    monkeypatch.setattr(Store, "_look", lost)
    with pytest.raises(NotDone, match="the disk does not answer"):
        await office.letters.look(office.person, first=True)
