"""A drill: real path to people, marked in every message, ended by an answer; nothing that counts is touched."""

from collections import Counter
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from monitor.alarms.book import Key, operate
from monitor.alarms.silence import Sight, Watch
from monitor.alarms.states import Operator
from monitor.daemon.asking import Asking, OwnFault
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.drilling import MARK, CannotDrill, Drilling, fitting
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.post import Post
from monitor.daemon.rounds import Rounds
from monitor.devices.ask.snmp import Answer, Outcome
from monitor.devices.questions import Device, LoadToAsk, Script
from monitor.facts.readings import Layout, Round, State
from monitor.notify.carrier import Carrier
from tests.daemon.test_post import Line

DRILL, REAL = Key("creek", "drill"), Key("creek", "pole-silent")


class Answering:
    """Every place answers, unless it is named as dead."""

    def __init__(self, clock: HandClock) -> None:
        self._clock, self.dead = clock, set[str]()
        self.unasked: Counter[OwnFault] = Counter()

    async def place(
        self, device: Device, script: Script, loads: list[LoadToAsk], hurry: bool = False
    ) -> tuple[Sight, list[Round], dict[str, bool], Answer]:
        now_s, dead = self._clock.wall_s(), device.place in self.dead
        state = State.SILENT if dead else State.SEEN
        readings = Round.blank(Layout(device.name, "reach", ()), now_s, state)
        outcome = Answer(Outcome.SILENT if dead else Outcome.REFUSED)
        return Sight(device.place, now_s, state, ping=state), [readings], {}, outcome

    async def round(self, device: Device, script: Script, hurry: bool = False) -> tuple[Round, Answer]:
        return Round.blank(Layout(device.name, "reach", ()), self._clock.wall_s(), State.SEEN), Answer(Outcome.REFUSED)


class Ground:
    """Rounds that ask nobody, a carrier that notes, and drills."""

    def __init__(self, design: Design, keeper: Keeper, clock: HandClock) -> None:
        self.clock, self.line, self.asking = clock, Line(), Answering(clock)
        self.rounds = Rounds(Memory(design), cast("Asking", self.asking), keeper, clock, lambda: None)
        self.post = Post(self.rounds, keeper, cast("Carrier", self.line), clock)
        self.drilling = Drilling(self.rounds, keeper, clock)
        now_s = clock.wall_s()
        self.rounds.memory.watches = dict.fromkeys(design.places, Watch(answered_s=now_s, agent_ever=True))

    async def later(self, seconds: float) -> dict[str, Any]:
        await self.clock.turn(seconds)
        await self.drilling.look()
        await self.post.send()
        await self.post.settled()
        return await self.drilling.report()

    def standing(self) -> set[Key]:
        return {alarm.key for alarm in self.rounds.memory.book.raised()}


@pytest.fixture
async def ground(design: Design, tmp_path: Path) -> AsyncIterator[Ground]:
    clock = HandClock()
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    yield Ground(design, keeper, clock)
    await keeper.close()


async def test_it_walks_the_whole_way_and_ends_when_somebody_answers(ground: Ground) -> None:
    memory, hold_s = ground.rounds.memory, ground.rounds.memory.plan.rounds.hold_s
    watch = memory.watches["creek"]
    await ground.drilling.begin("creek", "fibre-cut", "jo", 10)
    assert ground.standing() == {DRILL}
    alarm = memory.book.alarms[DRILL]
    assert alarm.text.startswith(MARK)
    assert alarm.cause is not None
    assert alarm.cause.name == "fibre-cut"
    assert memory.watches["creek"].misses == watch.misses == 0, "the pole's own watch knows nothing of it"
    assert (await ground.later(hold_s - 1))["went"] == 0
    report = await ground.later(1)
    assert report["called"] == report["went"] > 0
    for _, title, body in ground.line.sent:
        assert "drill, nothing is wrong" in title
        assert body.startswith(f"{MARK} creek is silent; not seen behind it: ")
    memory.book, change = operate(memory.book, DRILL, Operator.ACK, "sam", "seen", ground.clock.wall_s())
    await ground.rounds.tell([change])
    report = await ground.later(2)
    assert ground.standing() == set()
    report = await ground.later(1)
    assert report["over"]
    assert report["acknowledged"]
    told = [step["what"] for step in report["steps"]]
    assert told[0] == "drill at creek begun by jo: fibre-cut"
    assert "alarm ack by sam" in told
    assert any(what.startswith("all clear") for what in told)
    assert "It was a drill" in ground.line.sent[-1][2]


async def test_a_pole_that_really_drops_meanwhile_is_told_of(ground: Ground) -> None:
    await ground.drilling.begin("creek", "", "jo", 10)
    ground.asking.dead.add("creek")
    await ground.rounds.reach("creek")
    assert {DRILL, REAL} <= ground.standing()


async def test_it_ends_by_itself_and_says_that_nobody_answered(ground: Ground) -> None:
    await ground.drilling.begin("creek", "", "jo", 1)
    ground.line.down = True
    await ground.later(59)
    assert DRILL in ground.standing()
    report = await ground.later(2)
    assert DRILL not in ground.standing()
    assert (report["acknowledged"], report["went"]) == (False, 0)


async def test_one_left_standing_by_an_earlier_run_ends_with_the_next_look(ground: Ground) -> None:
    await ground.drilling.begin("creek", "", "jo", 10)
    Drilling(ground.rounds, ground.rounds.keeper, ground.clock)
    await ground.rounds.reach("creek")
    assert ground.standing() == set()


async def test_what_is_no_drill_is_refused(ground: Ground) -> None:
    with pytest.raises(CannotDrill, match="there are feeder-dead"):
        await ground.drilling.begin("creek", "camera-hung", "jo", 10)
    with pytest.raises(CannotDrill, match="there was no drill"):
        await ground.drilling.report()
    watches = ground.rounds.memory.watches
    watches["creek"] = replace(watches["creek"], misses=1)
    with pytest.raises(CannotDrill, match="no drill: see farpole status"):
        await ground.drilling.begin("creek", "", "jo", 10)
    watches["creek"] = replace(watches["creek"], misses=0)
    await ground.drilling.begin("creek", "", "jo", 10)
    with pytest.raises(CannotDrill, match="still under way"):
        await ground.drilling.begin("yards", "", "jo", 10)


def test_only_what_can_happen_to_a_pole_is_supposed(design: Design) -> None:
    for pole in design.plan.poles:
        for fault in fitting(pole).values():
            assert fault.only != "solar" or pole.feeder is None
            assert fault.only != "fed" or pole.feeder is not None
