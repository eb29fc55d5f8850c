"""Switching a port on the simulated site, over SNMP SET: guarded, kept, read back, and finished after a crash."""

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from monitor.alarms.book import Key
from monitor.daemon import acting as module
from monitor.daemon.acting import BEGUN, DONE, Acting, CannotAct
from monitor.daemon.asking import Asking
from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import may_act, open_site
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.devices.ask.snmp import Community, User
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.simulation.faults import Fault
from monitor.simulation.live import LiveSite
from tests.whole.conftest import FAST

pytestmark = pytest.mark.whole
CREDENTIALS: dict[str, Community | User] = {"switches": Community("read-word"), "writing": Community("write-word")}


class Chair:
    """A farm, its rounds, and what acts on it."""

    def __init__(self, site: LiveSite, sheets: Sheets, keeper: Keeper) -> None:
        self.site, self.keeper = site, keeper
        self.clock = SystemClock()
        self.asking = Asking(AnyAsker(), CREDENTIALS, self.clock, may_ping=False)
        self.rounds = Rounds(Memory(Design.of(site.plan, sheets)), self.asking, keeper, self.clock, lambda: None)
        self.acting = Acting(self.rounds, keeper, self.clock, CREDENTIALS)

    @property
    def port(self) -> "object":
        return self.site.world.places["yards"].ports["1"]

    async def events(self, kind: str) -> list[tuple[float, str, str]]:
        return await self.keeper.ask(lambda store: store.notes(kind))


@pytest.fixture
async def chair(tmp_path: Path, tarrow: Plan, sheets: Sheets, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Chair]:
    monkeypatch.setattr(module, "OFF_S", 0.6)
    monkeypatch.setattr(module, "ON_TRIES_EACH_S", 0.3)
    monkeypatch.setattr(module, "LEFT_OFF_AFTER_S", 1.0)
    monkeypatch.setattr(module, "TIMEOUT_S", 0.4)
    clock = SystemClock()
    site = await open_site(may_act(tarrow), "read-word", 1, clock.wall_s(), FAST, "write-word")
    site.world.boot_s = 1.0
    site.step(clock.wall_s())
    running = asyncio.create_task(site.run(clock.wall_s, clock.sleep))
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    made = Chair(site, sheets, keeper)
    for place in made.rounds.memory.design.places:
        await made.rounds.reach(place)
    yield made
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    made.acting.close()
    made.asking.close()
    site.close()
    await keeper.close()


async def test_a_hung_camera_comes_back(chair: Chair) -> None:
    now_s = chair.clock.wall_s()
    chair.site.world.faults = [Fault("camera-hung", "yards", now_s - 1)]
    chair.site.step(now_s)
    device = chair.site.world.places["yards"].devices["yards-ramp-camera"]
    assert not device.answers
    await chair.acting.cycle("yards", "1", "sam", "its picture stands still")
    assert not chair.port.off  # type: ignore[attr-defined]  # a simulated port
    begun, done = await chair.events(BEGUN), await chair.events(DONE)
    assert [row[1] for row in begun] == [row[1] for row in done] == ["yards/port/1"]
    assert json.loads(begun[0][2]) == {"who": "sam", "why": "its picture stands still", "automatic": False}
    assert begun[0][0] < done[0][0]
    for _ in range(20):
        await asyncio.sleep(0.2)
        if device.answers:
            break
    assert device.answers, "what hung has started anew"
    with pytest.raises(CannotAct, match="wait 90 s"):
        await chair.acting.cycle("yards", "1", "sam", "once more")


async def test_it_was_off_in_between(chair: Chair) -> None:
    going = asyncio.create_task(chair.acting.cycle("yards", "1", "sam", "a test"))
    seen = set()
    for _ in range(60):
        seen.add(chair.port.off)  # type: ignore[attr-defined]  # a simulated port
        await asyncio.sleep(0.05)
        if going.done():
            break
    await going
    assert seen == {True, False}
    assert "is being switched" not in await chair.acting.refusal("yards", "2")


async def test_what_a_crash_left_off_is_switched_on(chair: Chair) -> None:
    """Killed after OFF: the intention is in the history, and the next start says ON until it is read back."""
    words = json.dumps({"who": "sam", "why": "killed in between", "automatic": False})
    await chair.keeper.ask(lambda store: store.note(chair.clock.wall_s(), BEGUN, "yards/port/1", words))
    chair.port.off = True  # type: ignore[attr-defined]  # a simulated port
    chair.site.step(chair.clock.wall_s())
    await chair.acting.finish()
    assert not chair.port.off  # type: ignore[attr-defined]  # a simulated port
    assert len(await chair.events(DONE)) == 1
    await chair.acting.finish()
    assert len(await chair.events(DONE)) == 1, "what is done is not done again"


async def test_a_port_that_stays_off_is_a_critical_alarm_until_it_is_on(chair: Chair) -> None:
    agent = chair.site._agents["yards"][0]
    writing = agent.writing
    going = asyncio.create_task(chair.acting.cycle("yards", "1", "sam", "a test"))
    while not chair.port.off:  # type: ignore[attr-defined]  # noqa: ASYNC110  # a simulated port, looked at
        await asyncio.sleep(0.02)
    agent.writing = None  # it hears no more SETs
    key = Key("yards/port/1", "port-left-off")
    for _ in range(100):
        await asyncio.sleep(0.1)
        if key in chair.rounds.memory.book.alarms:
            break
    alarm = chair.rounds.memory.book.alarms[key]
    assert (alarm.cleared, alarm.severity.value) == (False, "critical")
    agent.writing = writing
    await asyncio.wait_for(going, 15)
    assert chair.rounds.memory.book.alarms[key].cleared
    assert not chair.port.off  # type: ignore[attr-defined]  # a simulated port


async def test_a_wrong_word_switches_nothing_and_says_so(chair: Chair) -> None:
    wrong = Acting(chair.rounds, chair.keeper, chair.clock, {**CREDENTIALS, "writing": Community("wrong")})
    task = asyncio.create_task(wrong.cycle("yards", "1", "sam", "a test"))
    await asyncio.sleep(3)
    assert not chair.port.off  # type: ignore[attr-defined]  # a simulated port
    assert not task.done(), "ON is said until it is read back, whatever the first answer was"
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    wrong.close()


async def test_writing_needs_credentials_of_its_own(chair: Chair, tarrow: Plan, sheets: Sheets) -> None:
    data = chair.site.plan.model_dump(mode="json", by_alias=True, exclude_none=True)
    data["acting"]["v2c_writing"] = "refused"
    chair.rounds.memory.design = Design.of(Plan.model_validate(data), sheets)
    assert "use v3" in await chair.acting.refusal("yards", "1")
    for pole in data["poles"]:
        del pole["switch"]["write_credentials"]
    chair.rounds.memory.design = Design.of(Plan.model_validate(data), sheets)
    assert "those for reading never write" in await chair.acting.refusal("yards", "1")
