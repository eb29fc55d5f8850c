"""A busy box, or one without sockets, blames nobody: what could not be asked, or not heard, is no silence."""

import asyncio
import socket
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.alarms.silence import MISSES_OF_ONE_KIND, Sight, Watch, look
from monitor.daemon.asking import MOST_PATIENCE, Asking, OwnFault
from monitor.daemon.clock import SystemClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.pulse import Pulse
from monitor.daemon.rounds import Rounds
from monitor.devices.ask.icmp import permitted, ping
from monitor.devices.ask.own import CouldNotAsk
from monitor.devices.ask.snmp import Community, Outcome
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.devices.ask.tcp import Tcp, connect
from monitor.devices.questions import REACH, Device, LoadToAsk, scripts_of
from monitor.facts.readings import State
from tests.conftest import _skip_or_fail
from tests.descriptors import descriptors_left

NOTHING_HERE = "127.0.0.77"


@pytest.fixture
async def deaf_port() -> AsyncIterator[int]:
    """A UDP port that is open and says nothing, as a pole's agent behind a cut fibre."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("127.0.0.1", 0))
        yield one.getsockname()[1]


def creek_at(design: Design, port: int) -> tuple[Device, list[LoadToAsk]]:
    """The switch at creek and one load behind it, both silent: no TCP service answers a full backlog."""
    device = replace(design.switch_of("creek"), address="127.0.0.1", port=port, ping=False)
    return device, []


async def asking_of(device: Device) -> Asking:
    asker = AnyAsker()
    asker._fast._probed_s["127.0.0.1", device.port] = asyncio.get_running_loop().time()  # it has just been probed
    made = Asking(asker, {device.credentials: Community("farm-word")}, SystemClock(), may_ping=False)
    made.pulse.begin()
    await asyncio.sleep(0.15)
    return made


async def test_without_descriptors_nobody_is_silent(design: Design, deaf_port: int) -> None:
    device, _ = creek_at(design, deaf_port)
    load = LoadToAsk("creek/load/gate", "gate", "creek", "127.0.0.1", False, 9)
    asking = await asking_of(device)
    script = scripts_of(device, {})[REACH]
    allowed = await permitted()
    if allowed is not True:
        _skip_or_fail(str(allowed))
    try:
        with descriptors_left(0):
            assert await connect("127.0.0.1", 9) is Tcp.UNASKED
            with pytest.raises(CouldNotAsk):
                await ping(NOTHING_HERE, 0.2)
            sight, rounds, services, answer = await asking.place(device, script, [load], hurry=True)
        assert (sight.asked, rounds, services, answer.outcome) == (False, [], {}, Outcome.UNASKED)
        assert asking.unasked == {OwnFault.SOCKETS: 2}
        sight, *_ = await asking.place(device, script, [load], hurry=True)
        assert (sight.agent, sight.loads) == (State.SILENT, {"gate": State.SEEN})
    finally:
        asking.close()


async def test_what_was_not_asked_changes_no_watch() -> None:
    doubted = Watch(misses=1, kinds=2, answered_s=5.0)
    assert look(doubted, Sight("creek", 100.0)) == doubted
    assert look(doubted, Sight("creek", 100.0, State.SILENT)).misses == 2


async def test_a_silence_across_a_standstill_does_not_count_and_the_next_one_waits_for_longer(
    design: Design, deaf_port: int
) -> None:
    device, _ = creek_at(design, deaf_port)
    asking = await asking_of(device)
    script = scripts_of(device, {})[REACH]
    try:
        asyncio.get_running_loop().call_later(0.1, time.sleep, 1.0)
        sight, rounds, *_ = await asking.place(device, script, [], hurry=True)
        assert (sight.asked, rounds) == (False, [])
        assert asking.unasked[OwnFault.BUSY] == 1
        asyncio.get_running_loop().call_later(0.2, time.sleep, 0.2)
        sight, *_ = await asking.place(device, script, [], hurry=True)
        assert sight.agent is State.SILENT, "half a second was listened to, out of one"
        sight, *_ = await asking.place(device, script, [], hurry=True)
        assert sight.agent is State.SILENT
    finally:
        asking.close()


async def test_an_answer_that_lay_in_the_socket_is_an_answer(design: Design) -> None:
    """What came during a standstill is read before its deadline is looked at."""
    device, _ = creek_at(design, 0)
    with socket.socket() as service:
        service.bind(("127.0.0.1", 0))
        service.listen()
        load = LoadToAsk("creek/load/gate", "gate", "creek", "127.0.0.1", False, service.getsockname()[1])
        asking = await asking_of(device)
        try:
            asyncio.get_running_loop().call_soon(time.sleep, 1.2)
            sight, *_ = await asking.place(device, scripts_of(device, {})[REACH], [load], hurry=True)
            assert sight.loads.get("gate") is not State.SILENT
        finally:
            asking.close()


async def test_looks_without_sockets_raise_no_silence_and_are_told_at_once(
    design: Design, deaf_port: int, tmp_path: Path
) -> None:
    clock = SystemClock()
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    device, _ = creek_at(design, deaf_port)
    asking = await asking_of(device)
    rounds = Rounds(Memory(design), asking, keeper, clock, lambda: None)
    try:
        with descriptors_left(0):
            for _ in range(MISSES_OF_ONE_KIND + 1):
                with suppress(OSError):  # SQLite may want a descriptor, too, for its journal
                    assert await rounds.reach("creek") == 1.0
        standing = {alarm.key.type for alarm in rounds.memory.book.raised()}
        assert standing == {"sockets-short"}
        assert not rounds.memory.watches["creek"].doubtful
    finally:
        asking.close()
        await keeper.close()


async def test_patience_grows_no_further_than_its_limit(design: Design, deaf_port: int) -> None:
    device, _ = creek_at(design, deaf_port)
    asking = await asking_of(device)
    for _ in range(9):
        asking._learn_patience("creek", True)
    assert asking._timeout_s("creek", hurry=True) == 0.5 * MOST_PATIENCE
    asking._learn_patience("creek", False)
    assert asking._timeout_s("creek", hurry=True) == 0.5
    asking.close()


async def test_the_pulse_counts_for_how_long_nobody_listened() -> None:
    pulse, clock = Pulse(SystemClock()), SystemClock()
    assert pulse.deaf_s(0.0) == 0.0, "it has not begun"
    pulse.begin()
    await asyncio.sleep(0.35)
    before_s = clock.monotonic_s()
    time.sleep(0.6)  # noqa: ASYNC251  # the standstill itself
    assert 0.4 < pulse.deaf_s(before_s) < 0.7, "the gap that is just ending"
    await asyncio.sleep(0.25)
    assert 0.4 < pulse.deaf_s(before_s) < 0.7
    assert pulse.deaf_s(clock.monotonic_s()) < 0.05
    assert pulse.worst_s > 0.4
    pulse.close()
