"""The nightly judgement on a history: drifts are said with their end; repairs and new optics begin anew, with why."""

import asyncio
from pathlib import Path

import numpy as np
import pytest

from monitor.alarms.book import Key
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.folding import Folding
from monitor.daemon.judging import Judging
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import OPTIC, Rounds
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.records import Repair
from monitor.plan.parts import Plan

DAY_S = 86_400.0
DAYS = 240
OPTIC_AT = "office/optic/9"
SLOT = Slot(OPTIC_AT, "rx_dbm")
LAYOUT = Layout("office/switch", "measure", (SLOT, Slot(OPTIC_AT, "optic_c")))
KEY = Key(OPTIC_AT, "margin-drifting", "rx_dbm")


class Night:
    """A history of one series, and the jobs of a night over it."""

    def __init__(self, folder: Path, design: Design) -> None:
        self.clock = HandClock(20_800 * DAY_S + 3 * 3600)
        self.keeper = Keeper(folder / "history.sqlite", self.clock)
        self.memory = Memory(design)
        self.rounds = Rounds(self.memory, None, self.keeper, self.clock, lambda: None)  # type: ignore[arg-type]  # nothing is asked
        self.folding, self.judging = (
            Folding(design, self.keeper, self.clock),
            Judging(self.rounds, self.keeper, self.clock),
        )

    async def lived(self, light: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> None:
        """A reading every two hours, the day's light with its noise."""
        rng = np.random.default_rng(4)
        start_s = self.clock.wall_s() - DAYS * DAY_S
        made = []
        for i in range(DAYS * 12):
            at_s = start_s + i * 7200.0
            warm = 25 + 8 * np.sin(2 * np.pi * (i % 12) / 12) + rng.normal(0, 0.5)
            one = Round.blank(LAYOUT, at_s, State.SILENT)
            one.put(0, float(light[i // 12] - 0.006 * (warm - 25) + rng.normal(0, 0.05)))
            one.put(1, float(warm))
            made.append(one)
        await self.keeper.open()
        await self.keeper.ask(lambda store: store.keep(made))

    async def over(self) -> None:
        """One night's fold and judgement."""
        await self.folding.run()
        await self.judging.run()


@pytest.fixture
def night(tmp_path: Path, tarrow: Plan, design: Design) -> Night:
    return Night(tmp_path, design)


async def test_a_drift_is_said_with_its_size_its_share_and_its_end(night: Night) -> None:
    await night.lived(-7 - np.maximum(0, np.arange(DAYS) - 90) / 30.4 * 0.6)
    await night.over()
    alarm = night.memory.book.alarms[KEY]
    assert not alarm.cleared
    assert "light that arrives: a slow change of" in alarm.text
    assert "used up in" in alarm.text
    verdict = night.memory.verdicts[SLOT]
    assert verdict.forecast is not None
    left = (19.5 - 7 - 0.6 * 150 / 30.4) / 0.6  # the plan's limit is −19.5 dBm less no penalty
    assert verdict.forecast.p10_months <= left <= verdict.forecast.p90_months
    assert verdict.slope is not None
    assert verdict.slope.low_per_month <= -0.6 <= verdict.slope.high_per_month
    kept = await night.keeper.ask(lambda store: store.baselines())
    assert [(one.resource, one.quantity, one.reason) for one in kept] == [(OPTIC_AT, "rx_dbm", "its first readings")]
    await night.keeper.close()


async def test_it_judges_once_a_day_and_more_exactly_the_next(night: Night) -> None:
    await night.lived(np.full(DAYS, -7.0))
    await night.over()
    first = night.memory.verdicts[SLOT]
    await night.over()
    assert night.memory.verdicts[SLOT] is first
    night.clock.set_wall(night.clock.wall_s() + DAY_S)
    await night.over()
    assert night.memory.verdicts[SLOT] is not first
    assert KEY not in night.memory.book.alarms
    assert len(await night.keeper.ask(lambda store: store.baselines())) == 1, "the same baseline is kept once"
    await night.keeper.close()


@pytest.mark.parametrize("how", ["note", "optic", "nobody said"])
async def test_a_repair_begins_a_new_baseline_and_says_why(night: Night, how: str) -> None:
    light = np.where(np.arange(DAYS) < 120, -7 - np.arange(DAYS) / 40, -7.0)
    await night.lived(light)
    at_s = night.clock.wall_s() - (DAYS - 120) * DAY_S
    if how == "note":
        await night.keeper.ask(lambda store: store.repaired(Repair(at_s - 3600, "creek", "sam", "cleaned both ends")))
    elif how == "optic":
        await night.keeper.ask(lambda store: store.note(at_s - 90 * DAY_S, OPTIC, OPTIC_AT, "TD1"))
        await night.keeper.ask(lambda store: store.note(at_s - 3600, OPTIC, OPTIC_AT, "TD2"))
    await night.over()
    assert KEY not in night.memory.book.alarms
    kept = await night.keeper.ask(lambda store: store.baselines())
    wanted = {"note": "sam: cleaned both ends", "optic": "new optic TD2", "nobody said": "nobody noted why"}[how]
    assert wanted in kept[-1].reason
    assert kept[-1].value_in_unit == pytest.approx(-7.0, abs=0.1)
    await night.keeper.close()


async def test_what_is_usual_is_known_after_a_restart(night: Night) -> None:
    await night.lived(np.full(DAYS, -7.0))
    await night.over()
    assert night.memory.norms.norm(SLOT, night.clock.wall_s()) == pytest.approx(-7.0, abs=0.1)
    await asyncio.sleep(0)
    await night.keeper.close()
