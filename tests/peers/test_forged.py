"""Forged answers are rejected and counted: a relay stands between us and a real snmpd and tampers with what passes.

What an honest answer would say always comes last, so that a test passes only if the forgery was not believed.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import Any

import pytest

from monitor.devices.ask import snmp_ber as ber
from monitor.devices.ask import snmp_v3 as v3
from monitor.devices.ask.snmp import Agent, Community, Outcome, Pdu, User
from monitor.devices.ask.snmp_fast import FastAsker
from monitor.devices.decode.interfaces import SYS_NAME
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer

GOOD = User("mon", "authpass12", "privpass12", "sha-256", "aes-128")
NAME = Pdu("get", (SYS_NAME,))
Tamper = Callable[[bytes], list[bytes]]


class Relay(asyncio.DatagramProtocol):
    """Passes questions on, and answers as ``tamper`` says; ``aside`` sends them from another port."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.tamper: Tamper = lambda data: [data]
        self.aside: asyncio.DatagramTransport | None = None
        self.questions: list[bytes] = []
        self.answers: list[bytes] = []
        self.passing: set[asyncio.Future[None]] = set()

    def connection_made(self, transport: Any) -> None:
        self.transport = transport

    def datagram_received(self, data: bytes, addr: Any) -> None:
        self.questions.append(data)
        self.passing.add(asyncio.ensure_future(self._pass_on(data, addr)))

    async def _pass_on(self, data: bytes, addr: Any) -> None:
        loop, answered = asyncio.get_running_loop(), asyncio.Event()

        class Back(asyncio.DatagramProtocol):
            def datagram_received(_, answer: bytes, __: Any) -> None:
                self.answers.append(answer)
                for forged in self.tamper(answer):
                    (self.aside or self.transport).sendto(forged, addr)
                answered.set()

        way, _ = await loop.create_datagram_endpoint(Back, remote_addr=("127.0.0.1", self.port))
        way.sendto(data)
        await asyncio.wait_for(answered.wait(), 2)
        way.close()


@pytest.fixture
async def relay(snmpd: Snmpd) -> AsyncIterator[Relay]:
    loop = asyncio.get_running_loop()
    transport, made = await loop.create_datagram_endpoint(lambda: Relay(snmpd.port), local_addr=("127.0.0.1", 0))
    yield made
    transport.close()


@pytest.fixture
async def asker() -> AsyncIterator[FastAsker]:
    made = FastAsker()
    yield made
    made.close()


def through(relay: Relay, credentials: Community | User) -> Agent:
    port = relay.transport.get_extra_info("sockname")[1]
    return Agent("127.0.0.1", port, credentials, 0.4, 0)


async def introduced(asker: FastAsker, relay: Relay, credentials: Community | User) -> Agent:
    """An agent that has been asked once already, so that its engine is known."""
    agent = through(relay, credentials)
    assert (await asker.ask(agent, NAME)).objects == {SYS_NAME: b"bench"}
    relay.questions.clear()
    relay.answers.clear()
    asker.rejected.clear()
    return agent


async def test_another_community_is_not_believed(asker: FastAsker, relay: Relay) -> None:
    agent = await introduced(asker, relay, Community("farm-ro"))
    relay.tamper = lambda data: [data.replace(b"farm-ro", b"fake-ro").replace(b"bench", b"forge")]
    answer = await asker.ask(agent, NAME)
    assert answer.outcome is Outcome.SILENT
    assert asker.rejected["community"] == 1


async def test_another_version_is_not_believed(asker: FastAsker, relay: Relay) -> None:
    agent = await introduced(asker, relay, Community("farm-ro"))
    relay.tamper = lambda data: [data.replace(b"\x02\x01\x01\x04", b"\x02\x01\x00\x04", 1)]
    assert (await asker.ask(agent, NAME)).outcome is Outcome.SILENT
    assert asker.rejected["version"] == 1


async def test_another_request_id_is_not_believed(asker: FastAsker, relay: Relay) -> None:
    agent = await introduced(asker, relay, Community("farm-ro"))

    def other_id(data: bytes) -> list[bytes]:
        at = data.index(b"farm-ro") + 7 + 2 + 2
        return [data[:at] + bytes((data[at] ^ 1,)) + data[at + 1 :]]

    relay.tamper = other_id
    assert (await asker.ask(agent, NAME)).outcome is Outcome.SILENT
    assert asker.rejected["unknown id"] == 1


@pytest.mark.parametrize("credentials", [Community("farm-ro"), GOOD], ids=["v2c", "v3"])
async def test_an_answer_from_another_port_is_not_believed(
    asker: FastAsker, relay: Relay, credentials: Community | User
) -> None:
    agent = await introduced(asker, relay, credentials)
    loop = asyncio.get_running_loop()
    relay.aside, _ = await loop.create_datagram_endpoint(asyncio.DatagramProtocol, local_addr=("127.0.0.1", 0))
    aside = relay.aside
    assert (await asker.ask(agent, NAME)).outcome is Outcome.SILENT
    assert asker.rejected["wrong source"] >= 1
    aside.close()


async def test_a_replayed_answer_is_not_believed(asker: FastAsker, relay: Relay) -> None:
    agent = await introduced(asker, relay, GOOD)
    await asker.ask(agent, NAME)
    old = relay.answers[-1]
    relay.tamper = lambda data: [old, data]
    assert (await asker.ask(agent, NAME)).outcome is Outcome.OK
    assert asker.rejected["unknown id"] == 1


async def test_a_wrong_digest_is_not_believed(asker: FastAsker, relay: Relay) -> None:
    agent = await introduced(asker, relay, GOOD)

    def forge(data: bytes) -> list[bytes]:
        at, stop = ber.inside(data, 0, len(data), ber.SEQUENCE)
        digest_at = v3.read(data, ber.integer(data, at, stop)[1], stop).digest_at
        return [data[:digest_at] + bytes((data[digest_at] ^ 0x55,)) + data[digest_at + 1 :]]

    relay.tamper = forge
    answer = await asker.ask(agent, NAME)
    assert (answer.outcome, asker.rejected["wrong digest"]) == (Outcome.REFUSED, 1)
    relay.tamper = lambda data: [*forge(data), data]
    assert (await asker.ask(agent, NAME)).objects == {SYS_NAME: b"bench"}


async def test_plaintext_is_not_believed_where_encryption_was_agreed(asker: FastAsker, relay: Relay) -> None:
    """A right id, no digest, no encryption: what anybody on the path could write."""
    agent = await introduced(asker, relay, GOOD)

    def plain(data: bytes) -> list[bytes]:
        at, stop = ber.inside(data, 0, len(data), ber.SEQUENCE)
        came = v3.read(data, ber.integer(data, at, stop)[1], stop)
        varbind = ber.element(ber.SEQUENCE, ber.key(SYS_NAME), ber.element(ber.OCTETS, b"forged"))
        fields = ber.number(came.message_id) + b"\x02\x01\x00\x02\x01\x00"
        pdu = ber.element(ber.RESPONSE, fields, ber.element(ber.SEQUENCE, varbind))
        scoped = ber.element(ber.SEQUENCE, ber.element(ber.OCTETS, came.engine_id), b"\x04\x00", pdu)
        security = ber.element(
            ber.SEQUENCE,
            ber.element(ber.OCTETS, came.engine_id),
            ber.number(came.boots),
            ber.number(came.time_s),
            ber.element(ber.OCTETS, came.user),
            b"\x04\x00\x04\x00",
        )
        head = ber.number(came.message_id) + ber.number(65507) + b"\x04\x01\x00" + b"\x02\x01\x03"
        outer = (b"\x02\x01\x03", ber.element(ber.SEQUENCE, head), ber.element(ber.OCTETS, security), scoped)
        return [ber.element(ber.SEQUENCE, *outer), data]

    relay.tamper = plain
    assert (await asker.ask(agent, NAME)).objects == {SYS_NAME: b"bench"}
    assert asker.rejected["an answer below the level of the question"] == 1


async def test_an_old_authentic_answer_is_outside_the_time_window(asker: FastAsker, relay: Relay) -> None:
    """RFC 3414 section 3.2 7b: an engine time more than 150 s behind is not believed, digest or no digest."""
    agent = await introduced(asker, relay, GOOD)
    engine = asker.engines[agent.address, agent.port, GOOD]
    relay.tamper = lambda data: []
    assert (await asker.ask(agent, NAME)).outcome is Outcome.SILENT
    engine.synchronise(engine.boots, engine.time_s + 10_000, asyncio.get_running_loop().time())
    relay.tamper = lambda data: [data]
    answer = await asker.ask(agent, NAME)
    # snmpd finds our time wrong and says so; that report is authentic and ours, so the clock is set again.
    assert answer.objects == {SYS_NAME: b"bench"}


async def test_a_forged_refusal_does_not_hide_the_answer(asker: FastAsker, relay: Relay) -> None:
    """A Report needs no digest, so anybody could write one: the true answer still counts."""
    agent = through(relay, User("nobody", "authpass12", "privpass12"))
    assert (await asker.ask(agent, NAME)).outcome is Outcome.REFUSED
    report = relay.answers[-1]
    good = await introduced(asker, relay, GOOD)

    def refuse(data: bytes) -> list[bytes]:
        at, stop = ber.inside(data, 0, len(data), ber.SEQUENCE)
        ours = v3.read(data, ber.integer(data, at, stop)[1], stop).message_id
        at, stop = ber.inside(report, 0, len(report), ber.SEQUENCE)
        theirs = v3.read(report, ber.integer(report, at, stop)[1], stop).message_id
        return [report.replace(theirs.to_bytes(4, "big"), ours.to_bytes(4, "big"), 1), data]

    relay.tamper = refuse
    assert (await asker.ask(good, NAME)).objects == {SYS_NAME: b"bench"}


async def test_silence_after_good_times_is_silence(asker: FastAsker, relay: Relay) -> None:
    agent = await introduced(asker, relay, Community("farm-ro"))
    relay.tamper = lambda data: []
    assert (await asker.ask(agent, NAME)).outcome is Outcome.SILENT
