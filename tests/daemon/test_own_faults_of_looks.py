"""Cameras and meters, too, are not blamed for what this machine could not ask or hear."""

import asyncio
import errno
import socket
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.silence import Watch
from monitor.daemon.asking import Asking, OwnFault
from monitor.daemon.clock import SystemClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.powering import Powering, asked_by_modbus
from monitor.daemon.rounds import Rounds
from monitor.daemon.streaming import Streaming
from monitor.devices.ask import http, modbus, rtsp
from monitor.devices.ask.own import CouldNotAsk
from monitor.devices.ask.snmp import Community
from monitor.devices.decode.rtp import Seen
from monitor.devices.questions import loads_of
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from tests.descriptors import descriptors_left
from tests.devices.fake import TableAgent


@pytest.mark.parametrize(
    "ask",
    [
        lambda port: rtsp.look(rtsp.Stream("127.0.0.1", port, "/"), 0.0),
        lambda port: http.post("127.0.0.1", port, "/", b"", "text/xml"),
        lambda port: modbus.Bus("127.0.0.1", port).read(1, "holding", 0, 2),
    ],
    ids=["RTSP", "HTTP", "Modbus"],
)
async def test_without_a_descriptor_each_way_says_that_it_could_not_ask(ask: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server, descriptors_left(0):
        with pytest.raises(CouldNotAsk) as told:
            await ask(server.getsockname()[1])
        assert told.value.errno in (errno.EMFILE, None)


class Ground:
    def __init__(self, tarrow: Plan, sheets: Sheets, folder: Path) -> None:
        document = tarrow.model_dump(by_alias=True)
        document["poles"][0]["loads"][0]["reach"] = ["icmp", "rtsp"]
        self.plan = Plan.model_validate(document)
        self.keeper = Keeper(folder / "h.sqlite", SystemClock())
        self.memory = Memory(Design.of(self.plan, sheets))
        now_s = SystemClock().wall_s()
        self.memory.watches = dict.fromkeys(self.memory.watches, Watch(answered_s=now_s, back_since_s=now_s - 999))
        self.asking = Asking(TableAgent({}), {"switches": Community("x")}, SystemClock(), may_ping=False)
        self.rounds = Rounds(self.memory, self.asking, self.keeper, SystemClock(), lambda: None)

    @property
    def raised(self) -> set[str]:
        return {alarm.key.type for alarm in self.memory.book.raised()}


@pytest.fixture
async def ground(tarrow: Plan, sheets: Sheets, tmp_path: Path) -> AsyncIterator[Ground]:
    made = Ground(tarrow, sheets, tmp_path)
    await made.keeper.open()
    made.asking.pulse.begin()
    yield made
    made.asking.close()
    await made.keeper.close()


async def look(ground: Ground, streaming: Streaming) -> None:
    await streaming.check(next(load for load in loads_of(ground.plan)["creek"] if load.stream))


async def test_a_camera_that_could_not_be_asked_is_not_broken(ground: Ground, monkeypatch: pytest.MonkeyPatch) -> None:
    streaming = Streaming(ground.rounds, {}, SystemClock())

    async def short(*_: Any) -> Seen:
        raise CouldNotAsk(errno.EMFILE, "Too many open files")

    monkeypatch.setattr(rtsp, "look", short)
    for _ in range(3):
        await look(ground, streaming)
    assert ground.raised == {"sockets-short"}
    assert ground.asking.unasked == {OwnFault.SOCKETS: 3}


async def test_a_camera_that_was_looked_at_across_a_standstill_is_not_broken(
    ground: Ground, monkeypatch: pytest.MonkeyPatch
) -> None:
    streaming = Streaming(ground.rounds, {}, SystemClock())
    still_s = [1.0, 1.0, 1.0, 0.0, 0.0, 0.0]

    async def late(*_: Any) -> Seen:
        await asyncio.sleep(0.15)
        time.sleep(still_s.pop(0))  # noqa: ASYNC251  # the standstill itself
        return Seen("rtsp", "no answer to OPTIONS within 5 s")

    monkeypatch.setattr(rtsp, "look", late)
    monkeypatch.setattr(ground.rounds, "stands", lambda place: asyncio.sleep(0, True))
    monkeypatch.setattr(streaming, "_turn", lambda resource: asyncio.sleep(0))
    for _ in range(3):
        await look(ground, streaming)
    assert ground.raised == set()
    assert ground.asking.unasked == {OwnFault.BUSY: 3}
    for _ in range(3):
        await look(ground, streaming)
    assert ground.raised == {"stream-broken"}


async def test_a_meter_that_could_not_be_asked_is_not_silent(ground: Ground) -> None:
    powering = Powering(ground.rounds, SystemClock())
    asked = asked_by_modbus(ground.plan)
    assert asked, "the plan has something that is asked by Modbus"
    with descriptors_left(0), suppress(OSError):  # the history may want a descriptor, too
        for _ in range(4):
            await powering.check(asked[0])
    assert ground.raised == {"sockets-short"}
