"""One device that never comes to an end delays no other: by the running schedule, over real sockets on loopback."""

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.silence import Sight, Watch
from monitor.daemon import streaming
from monitor.daemon.asking import Asking
from monitor.daemon.clock import SystemClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.post import Post
from monitor.daemon.rounds import Rounds
from monitor.daemon.timetable import timetable
from monitor.devices.ask.snmp import Agent, Answer, Community, Outcome, Pdu, Ran
from monitor.facts.readings import Round
from monitor.notify.carrier import Carrier
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.simulation.camera import Camera
from tests.devices import dripping
from tests.devices.dripping import Serve, served
from tests.devices.fake import TableAgent

CAMERAS, SICK = 9, 0
SOON_S = 6.0
"""In which eight cameras that are well have been looked at: each takes less than a second."""


class Farm:
    """Nine cameras, the schedule of a plan that has no others, and when each camera's look was taken."""

    def __init__(self, plan: Plan, sheets: Sheets, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.clock = SystemClock()
        self.keeper = Keeper(folder / "h.sqlite", self.clock)
        self.memory = Memory(Design.of(plan, sheets))
        asking = Asking(TableAgent({}), {"switches": Community("x")}, self.clock, may_ping=False)
        self.rounds = Rounds(self.memory, asking, self.keeper, self.clock, lambda: None)
        self.looked_s: dict[str, list[float]] = {}
        self.stood: list[str] = []
        monkeypatch.setattr(self.rounds, "take", self._take)
        monkeypatch.setattr(self.rounds, "reach", self._reached)
        for place in self.memory.watches:
            self.memory.watches[place] = Watch(back_since_s=0.0)

    async def _take(self, readings: Round, found: object) -> None:
        self.looked_s.setdefault(readings.layout.device, []).append(time.monotonic())

    async def _reached(self, place: str) -> None:
        """All poles are there."""

    async def run(self, for_s: float) -> float:
        """Run the schedule with every look due at once; when that began. What is not on loopback is not asked."""
        await self.keeper.open()
        post = Post(self.rounds, self.keeper, Carrier({}), self.clock)
        schedule = timetable(self.rounds, self.keeper, post, self.clock, self.keeper.flush, {})
        schedule.slots = [slot for slot in schedule.slots if slot.name.startswith("stream ")]
        for slot in schedule.slots:
            schedule.put(slot.name, 0.0)
        began_s = time.monotonic()
        running = asyncio.create_task(schedule.run())
        done, _ = await asyncio.wait([running], timeout=for_s)
        assert not done, running.exception()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        await self.keeper.close()
        return began_s


def with_cameras(tarrow: Plan, ports: list[tuple[int, int]], megabytes_per_day: float) -> Plan:
    """The plan with nine cameras on loopback, on two poles."""
    document = tarrow.model_dump(by_alias=True)
    poles = [pole for pole in document["poles"] if pole["name"] in ("creek", "yards")]
    pattern = next(one for one in document["poles"][0]["loads"] if one["stream"])
    for pole in document["poles"]:
        pole["loads"] = [load for load in pole["loads"] if load["kind"] == "radio-link"]
    for i, (rtsp_port, onvif_port) in enumerate(ports):
        stream = pattern["stream"] | {"port": rtsp_port, "megabytes_per_day": megabytes_per_day}
        more = {"name": f"camera-{i}", "address": f"127.0.0.{11 + i}", "port": str(2 + i // 2), "stream": stream}
        more |= {"onvif_port": onvif_port, "reach": ["rtsp", "onvif"], "mac": None}
        poles[i % 2]["loads"].append(pattern | more)
    return Plan.model_validate(document)


class Well(Camera):
    """A camera that is well, and remembers when its stream played."""

    def __init__(self) -> None:
        super().__init__(500.0, lambda: True, time.time, lambda: 0.0)
        self.played_s: list[tuple[float, float]] = []

    async def _play(self, writer: asyncio.StreamWriter) -> None:
        began_s = time.monotonic()
        try:
            await super()._play(writer)
        finally:
            self.played_s.append((began_s, time.monotonic()))


@pytest.fixture
async def cameras(tarrow: Plan, sheets: Sheets, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Any]:
    async with AsyncExitStack() as stack:

        async def made(rtsp: Serve, onvif: Serve, megabytes_per_day: float) -> tuple[Farm, list[Well]]:
            ports, well = [], [Well() for _ in range(CAMERAS)]
            for i, camera in enumerate(well):
                address, sick = f"127.0.0.{11 + i}", i == SICK
                at = await stack.enter_async_context(served(rtsp if sick else camera.rtsp, address))
                clock_at = await stack.enter_async_context(served(onvif if sick else camera.onvif, address))
                ports.append((at, clock_at))
            return Farm(with_cameras(tarrow, ports, megabytes_per_day), sheets, tmp_path, monkeypatch), well

        yield made


def late(farm: Farm, began_s: float) -> dict[str, float | None]:
    """Cameras that are well and were not looked at in time, with the seconds that it took."""
    names = [one.resource for at in farm.memory.design.loads.values() for one in at if one.stream]
    took_s = {name: farm.looked_s[name][0] - began_s if name in farm.looked_s else None for name in names}
    assert len(took_s) == CAMERAS
    return {name: s for name, s in took_s.items() if not name.endswith(f"-{SICK}") and (s is None or s > SOON_S)}


@pytest.mark.parametrize(
    ("rtsp", "onvif"),
    [("drips headers", "drips headers"), ("floods frames", "says for ever that it goes on"), ("never answers",) * 2],
)
async def test_eight_cameras_are_looked_at_in_time_beside_one_that_never_ends(
    cameras: Any, rtsp: str, onvif: str
) -> None:
    farm, _ = await cameras(dripping.rtsp(rtsp), dripping.http(onvif), 0.0)
    assert late(farm, await farm.run(SOON_S + 1.0)) == {}


async def test_looks_never_add_up_and_one_that_hangs_holds_up_the_next_for_its_own_time_only(
    cameras: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What one look takes of an uplink is the plan's; two at once would be twice that."""
    monkeypatch.setattr(streaming, "LOOK_S", 0.3)
    monkeypatch.setattr(streaming, "TURN_S", 0.6, raising=False)

    farm, well = await cameras(dripping.rtsp("drips headers"), dripping.http("drips headers"), 60.0)
    assert late(farm, await farm.run(SOON_S + 1.0)) == {}
    played = sorted(one for camera in well for one in camera.played_s)
    assert len(played) == CAMERAS - 1
    assert all(ended_s <= next_s + 0.1 for (_, ended_s), (next_s, _) in pairwise(played))


class DeafMeters(TableAgent):
    """Nobody answers; a silence takes its second."""

    async def run(self, agent: Agent, pdus: Any, slots: Any, values: Any) -> Ran:
        await asyncio.sleep(agent.timeout_s)
        return Ran(Outcome.SILENT, 0, "no answer")

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        await asyncio.sleep(agent.timeout_s)
        return Answer(Outcome.SILENT, {}, "no answer")


async def test_what_stands_around_a_silent_pole_is_asked_all_at_once(
    tarrow: Plan, sheets: Sheets, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The switch above and each meter: one that drips must not hold up the question to the next."""
    farm = Farm(tarrow, sheets, tmp_path, monkeypatch)
    farm.rounds.asking = Asking(DeafMeters({}), {"switches": Community("x")}, farm.clock, may_ping=False)
    under_way: list[int] = [0, 0]
    ask = farm.rounds.asking.round

    async def counted(*given: Any, **more: Any) -> Any:
        under_way[0] += 1
        under_way[1] = max(under_way)
        await asyncio.sleep(0.05)
        under_way[0] -= 1
        return await ask(*given, **more)

    monkeypatch.setattr(farm.rounds.asking, "round", counted)
    await farm.keeper.open()
    await farm.rounds._second_look(Sight("creek", farm.clock.wall_s(), None))
    assert under_way[1] == 1 + len(farm.memory.design.meters) > 1
    await farm.keeper.close()
