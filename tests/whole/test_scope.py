"""Evidence belongs to one alarm and to its time, on the simulated site by the hand clock.

Which tools and cautions belong to which kind of work: common practice of the trade, no source.
"""

from dataclasses import replace

import pytest

from monitor.alarms import cautions
from monitor.alarms.book import Alarm, Key
from monitor.alarms.cause import Cause
from monitor.alarms.drifting import of_verdicts
from monitor.daemon.desk import Desk
from monitor.devices.questions import MEASURE
from monitor.facts.readings import Slot
from monitor.margins.kinds import watched
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.show.judged import cause_lines
from monitor.simulation.faults import Fault
from tests.alarms.test_drifting import RAMP, verdict
from tests.whole.fast import FastFarm
from tests.whole.test_why import broken

pytestmark = pytest.mark.whole

CAMERA = Key("yards/load/yards-ramp-camera", "load-silent")
SILENT = Key("yards", "pole-silent")
LIGHT, FEEDER = Slot("yards/optic/5", "rx_dbm"), Slot("yards/feeder", "loop_ohms")
BATTERY = Slot("supply/ridge-solar", "held_watt_hours")
FIBRE_TOOLS = frozenset(("fibre cleaner and inspection scope", "two spare optics of each kind", "visual fault finder"))
COPPER_TOOLS = frozenset(("multimeter and DC clamp", "spare fuses", "insulation tester"))
CAMERA_TOOLS = frozenset(("spare camera", "cable tester", "plugs, jacks and crimp tool"))


async def on(farm: FastFarm, minutes: int, *faults: Fault) -> None:
    """The same site some minutes on, with these faults and no others."""
    farm.world.faults = list(faults)
    for _ in range(minutes):
        await farm.at(farm.clock.wall_s() + 60)


def here(farm: FastFarm, fault: str) -> Fault:
    return Fault(fault, "yards", farm.clock.wall_s() + 30)


async def drifts(farm: FastFarm, slot: Slot, pole: str) -> Alarm:
    """The alarm of a slow change that the nightly judgement has found."""
    found = replace(verdict(RAMP, reason="no date can be said"), slot=slot, pole=pole)
    farm.memory.verdicts = {slot: found}
    series = watched(farm.memory.plan, farm.memory.budget)
    await farm.rounds.step(of_verdicts({slot: found}, series))
    return farm.memory.book.alarms[Key(slot.resource, "margin-drifting", slot.quantity)]


def cause_of_alarm(farm: FastFarm, key: Key) -> Cause:
    alarm = farm.memory.book.alarms[key]
    assert not alarm.cleared
    assert alarm.cause is not None
    return alarm.cause


@pytest.mark.parametrize(
    ("fault", "slot", "pole", "takes", "never"),
    [
        ("feeder-open", LIGHT, "yards", FIBRE_TOOLS, COPPER_TOOLS | CAMERA_TOOLS),
        ("fibre-cut", FEEDER, "yards", COPPER_TOOLS, FIBRE_TOOLS | CAMERA_TOOLS),
        ("camera-hung", BATTERY, "ridge", {"battery tester"}, FIBRE_TOOLS | CAMERA_TOOLS),
    ],
)
async def test_a_drift_is_told_by_its_own_verdict_minutes_after_its_pole_has_come_back(
    tarrow: Plan, sheets: Sheets, fault: str, slot: Slot, pole: str, takes: frozenset[str], never: frozenset[str]
) -> None:
    farm = await broken(tarrow, sheets, fault, "yards", minutes=6)
    await on(farm, 6)
    alarm = await drifts(farm, slot, pole)
    assert alarm.cause is not None
    assert takes & set(alarm.cause.van_list), alarm.cause.van_list
    assert not never & set(alarm.cause.van_list), (alarm.cause.sentence, alarm.cause.van_list)
    assert "nothing on the pole answers" not in alarm.cause.evidence
    assert slot is not BATTERY or "the pole answers" not in alarm.cause.evidence, "not dark yet speaks against none"
    assert slot is BATTERY or "it came over weeks" in alarm.cause.evidence
    assert (cautions.FIBRE in alarm.cause.cautions) is (slot is LIGHT)
    assert (cautions.BATTERY in alarm.cause.cautions) is (slot is BATTERY)


async def test_what_was_held_of_a_silence_is_told_as_past_once_the_pole_is_back(tarrow: Plan, sheets: Sheets) -> None:
    farm = await broken(tarrow, sheets, "feeder-open", "yards", minutes=6)
    desk = Desk(farm.clock, "1.0")
    desk.opened(farm.rounds)
    during = desk.why("yards")
    assert (during["causes"][0]["fault"], during["alarm"]["type"]) == ("feeder-dead", "pole-silent")
    await on(farm, 45)
    after = desk.why("yards")
    assert (after["causes"], after["sentence"]) == ([], "no alarm stands at yards")
    (past,) = [one for one in after["past"] if one["alarm"]["type"] == "pole-silent"]
    assert "the feeder is dead" in past["sentence"]
    assert past["cleared_s"] < farm.clock.wall_s() - 2400
    first, *rest = cause_lines(after).splitlines()
    assert first == "no alarm stands at yards."
    assert rest
    assert all(line.startswith("past: ") for line in rest)


async def test_a_silence_is_not_explained_by_the_one_before_it(tarrow: Plan, sheets: Sheets) -> None:
    """Within the hour: first its feeder was open, then its fibre is cut, and the pole draws its current."""
    farm = await broken(tarrow, sheets, "feeder-open", "yards", minutes=6)
    assert cause_of_alarm(farm, SILENT).name == "feeder-dead"
    await on(farm, 8)
    assert farm.memory.book.alarms[SILENT].cleared
    await on(farm, 6, here(farm, "fibre-cut"))
    second = cause_of_alarm(farm, SILENT)
    assert second.group == "path", second.suspects


async def test_a_camera_that_hangs_is_told_with_what_cameras_need(tarrow: Plan, sheets: Sheets) -> None:
    """Though less light arrives at its pole, whose silence is not long over."""
    farm = await broken(tarrow, sheets, "fibre-cut", "yards", minutes=6)
    await on(farm, 6)
    dirt = here(farm, "dirty-connector")
    await on(farm, 10, dirt)
    await on(farm, 10, dirt, here(farm, "camera-hung"))
    assert Key("office/optic/10", "light-fell") in farm.memory.book.alarms
    hung = cause_of_alarm(farm, CAMERA)
    assert hung.name == "camera-hung"
    assert not (FIBRE_TOOLS | COPPER_TOOLS) & set(hung.van_list), hung.van_list
    assert "spare camera" in hung.van_list
    assert not {cautions.FIBRE, cautions.DC, cautions.BATTERY} & set(hung.cautions)
    assert not [line for line in hung.evidence if "light" in line or "uplink" in line], hung.evidence


async def test_the_cause_of_an_alarm_that_stands_follows_what_is_seen(tarrow: Plan, sheets: Sheets) -> None:
    """A camera without power, then with power and link, and still without an answer: the old evidence is gone."""
    farm = await broken(tarrow, sheets, "poe-denied", "yards", minutes=10)
    (key,) = [a.key for a in farm.memory.book.raised() if a.key.type == "load-silent"]
    assert "the port gives no power" in cause_of_alarm(farm, key).evidence
    load = farm.memory.plan.pole("yards").loads[-1]
    assert key.resource.endswith(load.name), "the last port is the one that is refused"
    device = farm.world.places["yards"].devices[load.name]
    farm.world.faults = []
    for _ in range(3):
        farm.world.step(farm.clock.wall_s() + 60)
        device.answers = False
        now_s = farm.clock.wall_s() + 60
        farm.clock.set_wall(now_s)
        farm.asking.look()
        await farm.rounds.ask(farm.memory.design.switch_of("yards"), MEASURE)
        await farm.rounds.reach("yards")
    evidence = cause_of_alarm(farm, key).evidence
    assert "the port gives no power" not in evidence, evidence
