"""What people are told is true at each change: the story of the demo, and an hour after it, by the hand clock.

The checks are those of ``python -m tests.bench.told``, which plays the demo itself by real protocols.
"""

from dataclasses import replace

import pytest

from monitor.alarms.drifting import of_verdicts
from monitor.daemon.desk import Desk
from monitor.margins.kinds import watched
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.simulation.faults import Fault
from tests.alarms.test_drifting import RAMP, verdict
from tests.bench.told import AtEachChange, Looking
from tests.whole.fast import FastFarm

pytestmark = pytest.mark.whole

START_S = 1_770_000_000.0
STORY = (
    ("feeder-open", "creek", 20, 30),
    ("camera-hung", "yards", 24, 38),
    ("lightning", "yards", 44, 54),
    ("fibre-cut", "yards", 60, 70),
    ("supply-lost", "creek", 80, 90),
)
"""(fault, pole, from, to) in minutes."""
LASTS_MINUTES = 140


async def test_headline_evidence_and_tools_are_of_one_alarm_and_of_its_time(tarrow: Plan, sheets: Sheets) -> None:
    desks: list[Desk] = []

    def changed() -> None:
        for one in desks:
            one.changed()

    farm = FastFarm(tarrow, sheets, 1, START_S, changed=changed)
    desk = Desk(farm.clock, "1.0")
    desks.append(desk)
    desk.opened(farm.rounds)
    at_s = START_S
    for _ in range(72):
        at_s += 600
        await farm.at(at_s)
    looking = Looking(desk)
    desk.listen(AtEachChange(looking))
    farm.world.faults = [
        Fault(fault, pole, at_s + 60 * start + 5, at_s + 60 * end + 5) for fault, pole, start, end in STORY
    ]
    series = watched(tarrow, farm.memory.budget)
    for minute in range(LASTS_MINUTES):
        at_s += 60
        await farm.at(at_s)
        if minute == 34:  # the night's judgement finds drifts while a pole has only just come back
            farm.memory.verdicts = {
                slot: replace(verdict(RAMP, reason="no date can be said"), slot=slot, pole=one.pole)
                for slot, one in series.items()
            }
            await farm.rounds.step(of_verdicts(farm.memory.verdicts, series))
        looking.look()
    assert not looking.violations, looking.told()
    assert set(looking.seen) >= {"pole-silent", "supply-lost", "load-silent", "ports-struck", "margin-drifting"}
    assert all(looking.checks[name] > 100 for name in ("one_alarm", "order", "own_time", "own_tools")), looking.checks
