"""Asking SNMP agents through pysnmp: slow and thorough. The only file of ``ask`` that knows pysnmp.

What was measured of pysnmp 7.1 and is met here: it takes answers from any source (so each agent has a
connected socket of its own, which the kernel filters); it drops what it cannot decode without a word (so the
socket counts what came); it does not compare an answer's objects with the question's; a user name with two
passwords in one engine is mixed up (so each credential has an engine); a wrong privacy password, a wrong v2c
community and an agent whose engine ID has changed all look like silence (so a silent agent is probed).
"""

import asyncio
import socket
from collections.abc import Mapping, Sequence
from typing import Any

from pyasn1.type import univ
from pysnmp.carrier.asyncio.dgram import udp, udp6
from pysnmp.entity import config
from pysnmp.error import PySnmpError
from pysnmp.hlapi.v3arch import asyncio as hlapi
from pysnmp.proto import errind
from pysnmp.proto.rfc1905 import EndOfMibView, NoSuchInstance, NoSuchObject

from monitor.devices.ask.snmp import (
    SILENCE,
    Agent,
    Answer,
    Community,
    Outcome,
    Pdu,
    Ran,
    User,
    Why,
    complaint,
    outcome_of,
    run_by_asking,
)
from monitor.devices.decode.raw import Missing, Oid, Raw, Table

_MOST_UNDER_WAY = 64
_RECEIVE_BYTES = 256 * 1024
_PROBE_AGAIN_S = 60.0
_SYS_UPTIME: Oid = (1, 3, 6, 1, 2, 1, 1, 3, 0)

AUTH = {
    "md5": hlapi.usmHMACMD5AuthProtocol,
    "sha-1": hlapi.usmHMACSHAAuthProtocol,
    "sha-224": hlapi.usmHMAC128SHA224AuthProtocol,
    "sha-256": hlapi.usmHMAC192SHA256AuthProtocol,
    "sha-384": hlapi.usmHMAC256SHA384AuthProtocol,
    "sha-512": hlapi.usmHMAC384SHA512AuthProtocol,
}
PRIV = {
    "des": hlapi.usmDESPrivProtocol,
    "aes-128": hlapi.usmAesCfb128Protocol,
    "aes-192": hlapi.usmAesCfb192Protocol,
    "aes-256": hlapi.usmAesCfb256Protocol,
}

_REFUSALS: dict[type, str] = {
    errind.UnknownUserName: "unknown user name",
    errind.UnknownSecurityName: "unknown user name",
    errind.WrongDigest: "wrong authentication password or protocol",
    errind.AuthenticationFailure: "wrong authentication password or protocol",
    errind.DecryptionError: "wrong privacy password or protocol",
    errind.UnsupportedSecurityLevel: "the agent does not serve this user at this security level",
    errind.NotInTimeWindow: "the agent's clock and ours do not agree (time window)",
}
_MISSING = {
    NoSuchObject: Missing.NO_SUCH_OBJECT,
    NoSuchInstance: Missing.NO_SUCH_INSTANCE,
    EndOfMibView: Missing.END_OF_MIB_VIEW,
}


def _link(family: type) -> type:
    """A transport with one connected socket per agent, of the kernel's filtering and of our counting."""

    class Link(family):  # type: ignore[misc]  # pysnmp's transports have no types
        def __init__(self, address: str, port: int) -> None:
            super().__init__()
            kind = socket.AF_INET6 if ":" in address else socket.AF_INET
            self.received, self.closed = 0, asyncio.Event()
            connected = socket.socket(kind, socket.SOCK_DGRAM)
            connected.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BYTES)
            connected.setblocking(False)
            connected.connect((address, port))
            self.open_server_mode(sock=connected)

        def datagram_received(self, datagram: bytes, transport_address: Any) -> None:
            self.received += 1
            super().datagram_received(datagram, transport_address)

        def error_received(self, error: Exception) -> None:
            if isinstance(error, ConnectionRefusedError):
                self.closed.set()

    return Link


_LINKS = {False: (_link(udp.UdpTransport), udp.DOMAIN_NAME, hlapi.UdpTransportTarget),
          True: (_link(udp6.Udp6Transport), udp6.DOMAIN_NAME, hlapi.Udp6TransportTarget)}  # fmt: skip


class _Engine:
    """One hlapi.SnmpEngine for one credential, with a link to each agent that is asked with it."""

    def __init__(self) -> None:
        self.engine = hlapi.SnmpEngine()
        self._links: dict[tuple[str, int], tuple[Any, Any]] = {}
        self._targets: dict[Agent, Any] = {}

    async def target(self, agent: Agent) -> tuple[Any, Any]:
        """Target and link; few distinct timeouts are used, since the engine keeps each for ever."""
        link, domain, kind = _LINKS[":" in agent.address]
        where = (agent.address, agent.port)
        if where not in self._links:
            self._links[where] = ((*domain, len(self._links) + 1), link(*where))
            config.add_transport(self.engine, *self._links[where])
        if agent not in self._targets:
            target = await kind.create(where, timeout=agent.timeout_s, retries=agent.retries)
            target.TRANSPORT_DOMAIN = self._links[where][0]
            self._targets[agent] = target
        return self._targets[agent], self._links[where][1]

    def close(self) -> None:
        """Give sockets and the engine's timer back."""
        self.engine.close_dispatcher()


class PysnmpAsker:
    """Asks through one engine per credential."""

    def __init__(self) -> None:
        self._engines: dict[Community | User, _Engine] = {}
        self._objects: dict[Oid, Any] = {}
        self._places = asyncio.Semaphore(_MOST_UNDER_WAY)
        self._good: set[tuple[str, int, Community | User]] = set()
        self._probed_s: dict[tuple[str, int], float] = {}
        self.rejected: dict[str, int] = {}
        """Always empty: pysnmp drops what it does not believe without a word."""

    def engine_ids(self) -> set[bytes]:
        """SNMP v3 engines that have been met."""
        return set()  # its engines keep that to themselves

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        """Send one PDU and wait for its answer."""
        key = (agent.address, agent.port, agent.credentials)
        async with self._places:
            answer = await self._ask(agent, pdu, agent.credentials)
            if answer.outcome is Outcome.OK:
                self._good.add(key)
            elif _may_be_there(agent, answer) and self._may_probe(agent):
                answer = await self._probe(agent, pdu, answer, was_good=key in self._good)
        return answer

    async def run(self, agent: Agent, pdus: Sequence[Pdu], slots: Mapping[bytes, int], values: list[Raw | None]) -> Ran:
        """Send PDUs one after the other; wanted values go to their places."""
        return await run_by_asking(self, agent, pdus, slots, values)

    def _may_probe(self, agent: Agent) -> bool:
        now_s, where = asyncio.get_running_loop().time(), (agent.address, agent.port)
        if now_s - self._probed_s.get(where, -_PROBE_AGAIN_S) < _PROBE_AGAIN_S:
            return False
        self._probed_s[where] = now_s
        return True

    async def _probe(self, agent: Agent, pdu: Pdu, silent: Answer, was_good: bool) -> Answer:
        """Is a silent agent there after all? It answers an unknown user with a report (RFC 3414 section 3.2)."""
        once = Agent(agent.address, agent.port, agent.credentials, agent.timeout_s, 0)
        stranger = hlapi.UsmUserData("farpole-is-anybody-there")
        there = await self._with_fresh_engine(once, Pdu("get", (_SYS_UPTIME,)), stranger)
        if there.outcome is not Outcome.REFUSED:
            return silent
        if isinstance(agent.credentials, Community):
            return silent if was_good else Answer(Outcome.REFUSED, {}, "it is there, and does not know this community")
        for _ in range(2):  # it may have been one lost datagram
            answer = await self._with_fresh_engine(once, pdu, credentials_of(agent.credentials))
            if answer.outcome is Outcome.OK:
                self._drop(agent.credentials)  # its engine ID has changed: the old engine would be deaf for minutes
            if answer.outcome in (Outcome.OK, Outcome.REFUSED):
                return answer
        # A wrong digest would have been told by a Report. The user is never asked as at a lower level to be sure.
        there = await self._with_fresh_engine(once, Pdu("get", (_SYS_UPTIME,)), stranger)
        if there.outcome is not Outcome.REFUSED:
            return silent
        return Answer(Outcome.REFUSED, {}, "no answer to what is encrypted: wrong privacy password or protocol")

    def _drop(self, credentials: Community | User) -> None:
        engine = self._engines.pop(credentials, None)
        if engine is not None:  # others may still wait for answers there
            asyncio.get_running_loop().call_later(30, engine.close)

    async def _with_fresh_engine(self, agent: Agent, pdu: Pdu, who: Any) -> Answer:
        engine = _Engine()
        try:
            return await self._send(engine, agent, pdu, who)
        finally:
            engine.close()

    async def _ask(self, agent: Agent, pdu: Pdu, credentials: Community | User) -> Answer:
        if credentials not in self._engines:
            self._engines[credentials] = _Engine()
        engine, who = self._engines[credentials], credentials_of(credentials)
        answer = await self._send(engine, agent, pdu, who)
        lacking: Table = {}
        # Version 1 names one object that the agent lacks, and gives nothing else.
        while isinstance(credentials, Community) and credentials.version == 1 and pdu.oids:
            if answer.why is not Why.NO_SUCH_NAME or not 1 <= answer.at <= len(pdu.oids):
                break
            oid = pdu.oids[answer.at - 1]
            lacking[oid] = Missing.NO_SUCH_OBJECT if pdu.kind == "get" else Missing.END_OF_MIB_VIEW
            pdu = pdu.without(oid)
            answer = await self._send(engine, agent, pdu, who) if pdu.oids else Answer(Outcome.OK)
        return Answer(answer.outcome, answer.objects | lacking, answer.detail, answer.why) if lacking else answer

    async def _send(self, engine: _Engine, agent: Agent, pdu: Pdu, who: Any) -> Answer:
        """One exchange, bounded also where pysnmp itself would wait for ever."""
        try:
            target, link = await engine.target(agent)
        except (PySnmpError, OSError) as error:
            return Answer(outcome_of(error), {}, f"could not be asked: {error}"[:200])
        link.closed.clear()
        before = link.received
        asked = asyncio.ensure_future(self._command(engine, target, pdu, who))
        closed = asyncio.ensure_future(link.closed.wait())
        try:
            longest_s = (agent.timeout_s + 0.2) * (agent.retries + 2) * 2 + 2
            done, _ = await asyncio.wait({asked, closed}, timeout=longest_s, return_when=asyncio.FIRST_COMPLETED)
            if asked not in done:
                why = Why.PORT_CLOSED if done else Why.NO_ANSWER
                return Answer(Outcome.SILENT, {}, SILENCE[why], why)
            answer = _answer(pdu, *asked.result())
        except (PySnmpError, OSError) as error:
            return Answer(outcome_of(error), {}, f"could not be asked: {error}"[:200])
        finally:
            await _ended(asked, closed)
        if answer.outcome is Outcome.SILENT and link.received > before:
            return Answer(Outcome.UNDECODABLE, {}, "it answered with what is no SNMP message of ours")
        return answer

    async def _command(self, engine: _Engine, target: Any, pdu: Pdu, who: Any) -> Any:
        objects = [self._object(oid) for oid in pdu.oids]
        if pdu.kind == "get":
            return await hlapi.get_cmd(engine.engine, who, target, hlapi.ContextData(), *objects, lookupMib=False)
        if isinstance(who, hlapi.CommunityData) and who.message_processing_model == 0:  # version 1 has no GETBULK
            return await hlapi.next_cmd(engine.engine, who, target, hlapi.ContextData(), *objects, lookupMib=False)
        once, repetitions = pdu.non_repeaters, pdu.repetitions
        return await hlapi.bulk_cmd(
            engine.engine, who, target, hlapi.ContextData(), once, repetitions, *objects, lookupMib=False
        )

    def _object(self, oid: Oid) -> Any:
        """Objects are resolved once and used again: that halves the cost of a request."""
        if len(self._objects) > 50_000:
            self._objects.clear()
        if oid not in self._objects:
            self._objects[oid] = hlapi.ObjectType(hlapi.ObjectIdentity(oid))
        return self._objects[oid]

    def close(self) -> None:
        """Give sockets and timers back."""
        for engine in self._engines.values():
            engine.close()
        self._engines.clear()


async def _ended(*tasks: "asyncio.Future[Any]") -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def _may_be_there(agent: Agent, answer: Answer) -> bool:
    """No answer at all, or (v3) a report of its clock and then nothing: it may be our credentials."""
    if answer.outcome is Outcome.UNDECODABLE:
        return isinstance(agent.credentials, User)
    return answer.outcome is Outcome.SILENT and answer.why is Why.NO_ANSWER


def credentials_of(credentials: Community | User) -> Any:
    """Credentials as pysnmp takes them."""
    if isinstance(credentials, Community):
        return hlapi.CommunityData(credentials.word, mpModel=credentials.version - 1)
    auth, priv, passwords = credentials.auth, credentials.priv, (credentials.auth_password, credentials.priv_password)
    return hlapi.UsmUserData(credentials.name, *passwords, authProtocol=AUTH[auth], privProtocol=PRIV[priv])


def _answer(pdu: Pdu, indication: Any, status: Any, index: Any, varbinds: Any) -> Answer:
    if indication is not None:
        if isinstance(indication, errind.RequestTimedOut):
            return Answer(Outcome.SILENT, {}, SILENCE[Why.NO_ANSWER], Why.NO_ANSWER)
        for kind, words in _REFUSALS.items():
            if isinstance(indication, kind):
                return Answer(Outcome.REFUSED, {}, words)
        return Answer(Outcome.UNDECODABLE, {}, str(indication)[:200])
    if int(status):
        outcome, words, why = complaint(int(status), int(index))
        return Answer(outcome, {}, words, why, int(index))
    objects: Table = {}
    for name, value in varbinds:
        # endOfMibView comes under the name of the last object before it (RFC 3416 4.2.3): never over its value.
        objects.setdefault(tuple(name), raw_of(value))
    if pdu.kind == "get" and set(objects) != set(pdu.oids):
        return Answer(Outcome.UNDECODABLE, {}, "it answered with other objects than were asked for")
    return Answer(Outcome.OK, objects)


def raw_of(value: Any) -> Raw:
    """A value of pysnmp's as a plain one."""
    missing = _MISSING.get(type(value))
    if missing is not None:
        return missing
    if isinstance(value, univ.ObjectIdentifier):
        return tuple(value.asTuple())
    if isinstance(value, univ.OctetString):
        return bytes(value.asOctets())
    if isinstance(value, univ.Integer):
        return int(value)
    return Missing.NO_SUCH_OBJECT  # a Null beside no error: the agent has nothing there
