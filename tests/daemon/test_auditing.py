"""The audit raises what is not as planned, takes back what is mended, and learns what a person accepts."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.book import Key
from monitor.daemon.asking import Asking
from monitor.daemon.auditing import STATION, Auditing
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.desk import Desk
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.devices.ask.snmp import Community
from monitor.devices.decode import bridge
from monitor.devices.decode.interfaces import IF_NAME, IF_TYPE
from monitor.devices.decode.raw import Oid, Table
from tests.devices.fake import TableAgent

CAMERA, STRANGER = (2, 0, 0x5E, 0x10, 0, 0x11), (2, 0, 0x5E, 0xFF, 0, 0x66)
UNKNOWN = Key("creek/port/4", "device-unknown", "02:00:5e:ff:00:66")


def tables(*stations: tuple[tuple[int, ...], int]) -> Table:
    made: Table = {}
    for row in range(1, 7):
        made |= {(*IF_NAME, row): b"port%d" % row, (*IF_TYPE, row): 6, (*bridge.BASE_IF_INDEX, row): row}
    for mac, port in stations:
        at: Oid = mac
        made |= {(*bridge.FDB, 2, *at): port, (*bridge.FDB, 3, *at): 3}
    return made


@pytest.fixture
async def audit(design: Design, tmp_path: Path) -> AsyncIterator[Any]:
    clock, memory = HandClock(), Memory(design)
    keeper = Keeper(tmp_path / "h.sqlite", clock)
    await keeper.open()
    agent = TableAgent({})
    asking = Asking(agent, {"switches": Community("x")}, clock, may_ping=False)
    rounds = Rounds(memory, asking, keeper, clock, lambda: None)

    class Audit:
        desk = Desk(clock, "0")

        async def sees(self, *stations: tuple[tuple[int, ...], int]) -> set[Key]:
            agent.table = dict(sorted(tables(*stations).items()))
            await auditing.audit("creek")
            return {alarm.key for alarm in memory.book.raised()}

        async def known(self) -> list[tuple[str, str]]:
            return [(port, mac) for _, port, mac in await keeper.ask(lambda store: store.notes(STATION))]

    auditing = Auditing(memory, asking, keeper, rounds, clock)
    made = Audit()
    made.desk.opened(rounds)
    yield made
    await keeper.close()


async def test_a_stranger_is_an_alarm_at_once_and_gone_when_it_is_gone(audit: Any) -> None:
    assert await audit.sees((CAMERA, 1)) == set()
    assert await audit.sees((CAMERA, 1), (STRANGER, 4)) == {UNKNOWN}
    assert await audit.sees((CAMERA, 1)) == set()


async def test_what_a_person_accepts_is_known_from_then_on(audit: Any) -> None:
    assert await audit.sees((CAMERA, 1), (STRANGER, 4)) == {UNKNOWN}
    await audit.desk.operate(UNKNOWN.resource, UNKNOWN.type, UNKNOWN.qualifier, "closed", "jo", "our new one")
    assert await audit.sees((CAMERA, 1), (STRANGER, 4)) == set()
    assert ("creek/port/4", "02:00:5e:ff:00:66") in await audit.known()


async def test_the_first_device_of_a_load_without_hardware_address_is_remembered(audit: Any) -> None:
    """The gateway at port 2 has no address in the plan: the first one seen there is it, a second is a stranger."""
    assert await audit.sees((CAMERA, 1), ((2, 0, 0, 0, 0, 1), 2)) == set()
    assert await audit.known() == [("creek/port/2", "02:00:00:00:00:01")]
    found = await audit.sees((CAMERA, 1), ((2, 0, 0, 0, 0, 2), 2))
    assert found == {Key("creek/port/2", "device-unknown", "02:00:00:00:00:02")}


async def test_a_load_on_another_port_has_moved(audit: Any) -> None:
    (key,) = await audit.sees((CAMERA, 4))
    assert (key.resource, key.type) == ("creek/load/creek-gate-camera", "device-moved")
