"""A user of authPriv is never asked as at less: what we send passes a relay that writes it down, on its way to snmpd.

What is on the wire is taken apart by pyasn1 and pysnmp's forms of RFC 3412 section 6 and RFC 3414 section 2.4.
"""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest
from pyasn1.codec.ber import decoder
from pysnmp.proto.mpmod.rfc3412 import SNMPv3Message
from pysnmp.proto.secmod.rfc3414.service import UsmSecurityParameters

from monitor.devices.ask.snmp import Agent, Asker, Outcome, Pdu, User
from monitor.devices.ask.snmp_fast import FastAsker
from monitor.devices.ask.snmp_pysnmp import PysnmpAsker
from monitor.devices.decode.interfaces import SYS_UPTIME
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer

UPTIME = Pdu("get", (SYS_UPTIME,))
AUTH_PRIV = 3
"""The two lower bits of msgFlags: RFC 3412 section 6.4."""
USERS = {"mon", "low", "nobody"}


class Relay(asyncio.DatagramProtocol):
    """Between one asker and snmpd; each message of ours is kept as (user, level)."""

    def __init__(self, agent: tuple[str, int]) -> None:
        self.agent, self.came = agent, list[tuple[str, int]]()
        self.deaf = False
        self._tasks: set[asyncio.Future[None]] = set()
        self._back: dict[Any, asyncio.DatagramTransport] = {}

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.front: Any = transport

    def datagram_received(self, data: bytes, address: Any) -> None:
        message, _ = decoder.decode(data, asn1Spec=SNMPv3Message())
        security, _ = decoder.decode(bytes(message["msgSecurityParameters"]), asn1Spec=UsmSecurityParameters())
        level = bytes(message["msgGlobalData"]["msgFlags"])[0] & AUTH_PRIV
        self.came.append((bytes(security["msgUserName"]).decode(), level))
        if not self.deaf:
            self._tasks.add(asyncio.ensure_future(self._on(data, address)))

    async def _on(self, data: bytes, address: Any) -> None:
        if address not in self._back:
            front = self.front

            class Back(asyncio.DatagramProtocol):
                def datagram_received(self, data: bytes, _: Any) -> None:
                    front.sendto(data, address)

            loop = asyncio.get_running_loop()
            self._back[address], _ = await loop.create_datagram_endpoint(Back, remote_addr=self.agent)
        self._back[address].sendto(data)

    def close(self) -> None:
        for one in (self.front, *self._back.values()):
            one.close()


@pytest.fixture(params=[FastAsker, PysnmpAsker])
async def asker(request: pytest.FixtureRequest) -> AsyncIterator[Asker]:
    made = request.param()
    yield made
    made.close()
    await asyncio.sleep(0.05)


@pytest.fixture
async def relay(snmpd: Snmpd) -> AsyncIterator[Relay]:
    loop = asyncio.get_running_loop()
    _, made = await loop.create_datagram_endpoint(lambda: Relay(("127.0.0.1", snmpd.port)), local_addr=("127.0.0.1", 0))
    yield made
    made.close()


@pytest.mark.parametrize(
    ("user", "outcome"),
    [
        (User("mon", "authpass12", "privpass12"), Outcome.OK),
        (User("mon", "authpass12", "wrongpass12"), Outcome.REFUSED),
        (User("mon", "wrongpass12", "privpass12"), Outcome.REFUSED),
        (User("low", "authpass12", "privpass12"), Outcome.REFUSED),
        (User("nobody", "authpass12", "privpass12"), Outcome.REFUSED),
    ],
    ids=["right", "wrong privacy password", "wrong authentication password", "served at less only", "unknown"],
)
async def test_no_message_of_a_user_is_below_authpriv(relay: Relay, asker: Asker, user: User, outcome: Outcome) -> None:
    port = relay.front.get_extra_info("sockname")[1]
    answer = await asker.ask(Agent("127.0.0.1", port, user, 1.0, 1), UPTIME)
    assert answer.outcome is outcome, answer
    ours = [(name, level) for name, level in relay.came if name in USERS]
    assert ours, "it was asked"
    assert {level for _, level in ours} == {AUTH_PRIV}


async def test_nor_while_the_agent_says_nothing(relay: Relay, asker: Asker) -> None:
    port, user = relay.front.get_extra_info("sockname")[1], User("mon", "authpass12", "privpass12")
    assert (await asker.ask(Agent("127.0.0.1", port, user, 0.5, 1), UPTIME)).outcome is Outcome.OK
    relay.deaf = True
    assert (await asker.ask(Agent("127.0.0.1", port, user, 0.5, 1), UPTIME)).outcome is Outcome.SILENT
    assert {level for name, level in relay.came if name in USERS} == {AUTH_PRIV}
