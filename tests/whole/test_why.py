"""Why, on the simulated site by the hand clock: each fault is told from its readings, by a table it never saw."""

import pytest

from monitor.alarms.book import Key
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.simulation.faults import Fault
from tests.whole.fast import FastFarm

pytestmark = pytest.mark.whole

START_S = 1_770_000_000.0


async def broken(plan: Plan, sheets: Sheets, fault: str, pole: str, minutes: int = 40) -> FastFarm:
    """Half a day of health, then a fault for some minutes."""
    farm = FastFarm(plan, sheets, 1, START_S)
    at_s = START_S
    for _ in range(72):
        at_s += 600
        await farm.at(at_s)
    assert not farm.memory.book.raised(), [str(alarm.key) for alarm in farm.memory.book.raised()]
    farm.world.faults = [Fault(fault, pole, at_s + 30)]
    for _ in range(minutes):
        at_s += 60
        await farm.at(at_s)
    return farm


@pytest.mark.parametrize(
    ("fault", "pole", "told"),
    [
        ("feeder-open", "yards", "feeder-dead"),
        ("fibre-cut", "creek", "fibre-cut"),
        ("feeder-short", "yards", "feeder-short"),
        ("supply-lost", "creek", "supply-lost"),
        ("head-end-off", "creek", "head-end-off"),
        ("camera-hung", "yards", "camera-hung"),
        ("camera-reboots", "yards", "camera-reboots"),
        ("copper-drop", "yards", "copper-drop"),
        ("duplex-mismatch", "yards", "duplex-mismatch"),
        ("mps-absent", "yards", "mps-absent"),
        ("poe-denied", "yards", "poe-denied"),
        ("port-short", "yards", "port-short"),
        ("dirty-connector", "yards", "dirty-connector"),
        ("corroded-joint", "yards", "corroded-joint"),
        ("broadcast-storm", "yards", "broadcast-storm"),
        ("agent-deaf", "yards", "switch-hang"),
    ],
)
async def test_the_first_cause(tarrow: Plan, sheets: Sheets, fault: str, pole: str, told: str) -> None:
    farm = await broken(tarrow, sheets, fault, pole)
    root = farm.memory.explained.because.get(pole, pole)
    cause = farm.rounds.why(root)
    assert cause.suspects[0].fault == told, (cause.suspects, cause.evidence)
    assert farm.kept.changes, "something was said"


async def test_a_healthy_pole_has_no_cause_to_speak_of(tarrow: Plan, sheets: Sheets) -> None:
    farm = await broken(tarrow, sheets, "internet-out", "yards", minutes=5)
    assert farm.rounds.why("creek").certainty == "cannot tell"
    assert not farm.kept.changes


async def test_evidence_gathers_while_a_silence_lasts_and_settles_it_after(tarrow: Plan, sheets: Sheets) -> None:
    farm = await broken(tarrow, sheets, "fibre-cut", "yards", minutes=10)
    during = farm.rounds.why("yards")
    assert during.group == "path"
    farm.world.faults = []
    at_s = farm.clock.wall_s()
    for _ in range(5):
        at_s += 60
        await farm.at(at_s)
    alarm = farm.memory.book.alarms[Key("yards", "pole-silent")]
    assert alarm.cleared
    assert "the switch ran on all the time" in alarm.settled
    assert alarm.cause is not None
    assert alarm.cause.suspects[0].fault == "fibre-cut"
    assert alarm.cause.percent >= during.percent, "that its uptime went on speaks for the path"
    assert "the switch ran on all the time" in "; ".join(alarm.cause.evidence)
    assert farm.rounds.why("yards").group != "path", "what was seen in the silence is over"


async def test_one_event_is_one_change_of_cause(tarrow: Plan, sheets: Sheets) -> None:
    """A silence that lasts says its cause once, not with every round."""
    farm = await broken(tarrow, sheets, "fibre-cut", "yards", minutes=40)
    told = [c for c in farm.kept.changes if c.alarm.key == Key("yards", "pole-silent")]
    assert len(told) <= 2, [(c.what, c.alarm.text) for c in told]


async def test_a_load_s_alarm_carries_its_cause_and_what_to_take_along(tarrow: Plan, sheets: Sheets) -> None:
    farm = await broken(tarrow, sheets, "camera-hung", "yards", minutes=10)
    alarm = farm.memory.book.alarms[Key("yards/load/yards-ramp-camera", "load-silent")]
    assert alarm.cause is not None
    assert alarm.cause.suspects[0].fault == "camera-hung"
    callout = next(m for m in farm.kept.messages if m.resource == alarm.key.resource)
    assert "Check first: " in callout.body
    assert "Take along: " in callout.body


async def test_lightning_at_one_pole_is_one_callout_with_its_cause(tarrow: Plan, sheets: Sheets) -> None:
    farm = await broken(tarrow, sheets, "lightning", "yards", minutes=20)
    standing = [alarm for alarm in farm.memory.book.raised() if not alarm.root]
    assert Key("yards", "ports-struck") in [alarm.key for alarm in standing]
    struck = farm.memory.book.alarms[Key("yards", "ports-struck")]
    assert struck.cause is not None
    assert struck.cause.suspects[0].fault == "lightning", struck.cause.suspects
    linked = [alarm for alarm in farm.memory.book.raised() if alarm.root == "yards"]
    assert len(linked) >= 2
    farm.world.faults = []
    at_s = farm.clock.wall_s()
    for _ in range(15):
        at_s += 60
        await farm.at(at_s)
    assert farm.memory.book.alarms[struck.key].cleared
    assert not [a for a in farm.memory.book.raised() if a.severity.value in ("major", "critical")]


async def test_a_camera_that_hangs_is_one_callout_whatever_else_of_it_fails(tarrow: Plan, sheets: Sheets) -> None:
    farm = await broken(tarrow, sheets, "camera-hung", "yards", minutes=40)
    standing = [alarm for alarm in farm.memory.book.raised() if not alarm.root]
    assert [str(alarm.key) for alarm in standing] == ["yards/load/yards-ramp-camera load-silent"]
