"""The jobs turned by hand on the simulated site: each fault ends in its own alarm and in no other."""

import asyncio
from collections.abc import AsyncIterator

import pytest

from monitor.alarms.silence import GRACE_S
from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock, SystemClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.devices.ask.snmp import Community
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.devices.questions import MEASURE, REACH
from monitor.facts.readings import Slot
from monitor.plan.datasheets import Sheets
from tests.whole.conftest import Farm

pytestmark = pytest.mark.whole


class ByHand:
    """Rounds of a farm, one after the other, as often as a test says."""

    def __init__(self, farm: Farm, rounds: Rounds, clock: HandClock) -> None:
        self.farm, self.rounds, self.clock = farm, rounds, clock

    async def all(self, times: int = 1) -> None:
        design = self.rounds.memory.design
        for _ in range(times):
            self.farm.site.step(SystemClock().wall_s())
            await asyncio.gather(*(self.rounds.ask(device, REACH) for device in design.meters))
            await asyncio.gather(*(self.rounds.reach(place) for place in design.places))
            switches = [device for device in design.devices.values() if device not in design.meters]
            await asyncio.gather(*(self.rounds.ask(device, MEASURE) for device in switches))
            await self.clock.turn(15)

    @property
    def standing(self) -> set[str]:
        return {str(alarm.key) for alarm in self.rounds.memory.book.raised() if not alarm.root}


@pytest.fixture
async def hand(farm: Farm, sheets: Sheets) -> AsyncIterator[ByHand]:
    clock = HandClock()
    keeper = Keeper(farm.settings.data.with_suffix(".sqlite"), clock)
    await keeper.open()
    memory = Memory(Design.of(farm.site.plan, sheets))
    asking = Asking(AnyAsker(), {"switches": Community("farm-word")}, clock, may_ping=False)
    made = ByHand(farm, Rounds(memory, asking, keeper, clock, lambda: None), clock)
    await made.all(2)
    await clock.turn(GRACE_S)
    await made.all(1)
    yield made
    asking.close()
    await keeper.close()


async def test_a_healthy_site_has_values_and_no_alarm(hand: ByHand) -> None:
    await hand.all(3)
    assert hand.standing == set()
    latest = hand.rounds.memory.latest
    for slot in hand.rounds.memory.limits:
        if slot.quantity.startswith(("battery_", "stream_", "clock_")):
            continue  # asked over Modbus, RTSP and ONVIF by jobs of their own
        reading = latest.reading(slot)
        assert reading is not None, slot
        assert reading.value is not None, slot


async def test_a_deaf_agent_is_the_agent_not_the_pole(hand: ByHand) -> None:
    hand.farm.breaks("agent-deaf", "yards")
    await hand.all(5)
    assert hand.standing == {"yards/switch agent-silent"}


async def test_a_hung_camera_is_the_camera(hand: ByHand) -> None:
    hand.farm.breaks("camera-hung", "yards")
    await hand.all(4)
    assert hand.standing == {"yards/load/yards-ramp-camera load-silent"}


async def test_a_dirty_connector_is_light_at_both_ends(hand: ByHand) -> None:
    hand.farm.breaks("dirty-connector", "creek")
    await hand.all(4)
    raised = hand.standing
    assert any(key.startswith("creek/optic/5 light") for key in raised)
    assert any(key.startswith("office/optic/9 light") for key in raised)


async def test_the_supply_takes_all_its_poles_and_is_one_alarm(hand: ByHand) -> None:
    hand.farm.breaks("supply-lost", "creek")
    await hand.all(3)
    assert hand.standing == {"supply/office-a supply-lost"}
    alarm = hand.rounds.memory.book.raised()[0]
    assert alarm.impacted == ("creek", "ridge", "woolshed", "yards")
    assert alarm.cause is not None
    assert alarm.cause.group == "supply"


@pytest.mark.parametrize(
    ("fault", "pole", "cause"),
    [
        ("fibre-cut", "creek", "path"),
        ("feeder-open", "yards", "power"),
        ("cable-cut", "yards", "power"),
        ("feeder-short", "yards", "short"),
        ("fibre-cut", "woolshed", "path"),
        ("feeder-open", "woolshed", "power"),
    ],
)
async def test_why_a_pole_dropped(hand: ByHand, fault: str, pole: str, cause: str) -> None:
    hand.farm.breaks(fault, pole)
    await hand.all(3)
    silent = [alarm for alarm in hand.rounds.memory.book.raised() if alarm.key.type == "pole-silent"]
    assert [(alarm.key.resource, alarm.cause.group if alarm.cause else "") for alarm in silent] == [(pole, cause)]


async def test_a_pole_that_comes_back_leaves_no_alarm_behind_it(hand: ByHand) -> None:
    hand.farm.site.world.boot_s = 3600.0  # what lies behind takes longer to start than this test runs
    hand.farm.breaks("fibre-cut", "creek")
    await hand.all(3)
    assert hand.standing == {"creek pole-silent"}
    hand.farm.repaired()
    hand.farm.site.world.runs["woolshed"].cut = True
    hand.farm.breaks("feeder-open", "woolshed")
    await hand.all(3)
    assert hand.standing == set(), "woolshed gets its time to start before it counts for itself"
    await hand.clock.turn(GRACE_S)
    await hand.all(3)
    assert hand.standing == {"woolshed pole-silent"}


async def test_wrong_community_is_not_a_silent_pole(farm: Farm, sheets: Sheets) -> None:
    clock = HandClock()
    keeper = Keeper(farm.settings.data.with_suffix(".sqlite"), clock)
    await keeper.open()
    asking = Asking(AnyAsker(), {"switches": Community("wrong")}, clock, may_ping=False)
    made = ByHand(farm, Rounds(Memory(Design.of(farm.site.plan, sheets)), asking, keeper, clock, lambda: None), clock)
    for _ in range(5):
        await made.rounds.reach("yards")
    assert made.standing == {"yards/switch agent-silent"}
    assert not made.rounds.memory.watches["yards"].doubtful
    asking.close()
    await keeper.close()


async def test_a_garbled_answer_is_counted_shown_and_no_number(hand: ByHand) -> None:
    """A switch whose input volts read 655.36 V: no such value can exist."""
    hand.farm.site.world.places["yards"].volts = 655.36
    step = hand.farm.site.world.step
    hand.farm.site.world.step = lambda now_s: setattr(hand.farm.site.world, "now_s", now_s)  # type: ignore[method-assign]  # only time goes on
    await hand.all(4)
    hand.farm.site.world.step = step  # type: ignore[method-assign]  # as above
    reading = hand.rounds.memory.latest.reading(Slot("yards/switch", "input_volts"))
    assert reading is not None
    assert (reading.value, reading.state.name) == (None, "GARBLED")
    assert "655.36 volts is outside 0 to 80" in reading.why
    assert "yards/switch answer-garbled measure" in hand.standing
