"""Asking SNMP agents with our own codec: v1, v2c and v3 over one socket, thousands of values a second on a small board.

A flight is a list of PDUs on its way to one agent, one after the other. An answer is matched by address, id,
version and community or, in v3, by all that ``snmp_v3`` checks; what does not match is counted in ``rejected``
and changes nothing. What an agent says without authentication (a refusal) is believed only when nothing better
has come by the deadline.
"""

import asyncio
import os
import socket
import struct
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from monitor.devices.ask import snmp_ber as ber
from monitor.devices.ask import snmp_v3 as v3
from monitor.devices.ask.snmp import Agent, Answer, Community, Outcome, Pdu, Ran, User
from monitor.devices.ask.snmp_udp import Peer, Socket
from monitor.devices.decode.raw import Missing, Oid, Raw, Table

STATUS = {1: "tooBig", 2: "noSuchName", 3: "badValue", 4: "readOnly", 5: "genErr", 6: "noAccess"}
STATUS[16] = "authorizationError"
_NOT_ALLOWED = (6, 16)
_SWEEP_S = 0.02
_MOST_UNDER_WAY = 64
"""More answers at once than the socket's buffer holds would be lost, and healthy agents seem silent."""
_PROBE_AGAIN_S = 60.0
_MOST_RESYNCS = 4
_NAMES_KEPT_S = 300.0
_SYS_UPTIME: Oid = (1, 3, 6, 1, 2, 1, 1, 3, 0)
_NO_ANSWER = "no answer"
_ZEROS = b"\x02\x01\x00\x02\x01\x00"


class _Flight:
    """PDUs under way to one agent."""

    __slots__ = (
        "agent",
        "answered",
        "deadline_s",
        "done",
        "engine",
        "head",
        "heard",
        "ids",
        "level",
        "objects",
        "pdus",
        "peer",
        "resyncs",
        "slots",
        "tries",
        "values",
    )

    def __init__(self, agent: Agent, peer: Peer, pdus: Sequence[Pdu], done: "asyncio.Future[Ran]"):
        self.agent, self.peer, self.pdus, self.done = agent, peer, pdus, done
        self.engine: v3.Engine | None = None
        self.level = v3.AUTH | v3.PRIV
        self.answered = 0
        self.ids: list[int] = []
        self.head = b""
        if isinstance(agent.credentials, Community):
            version = ber.number(agent.credentials.version - 1)
            self.head = version + ber.element(ber.OCTETS, agent.credentials.word.encode())
        self.tries = 0
        self.resyncs = 0
        self.deadline_s = 0.0
        self.heard: tuple[Outcome, str] | None = None
        self.slots: Mapping[bytes, int] = {}
        self.values: list[Raw | None] = []
        self.objects: list[tuple[bytes, Raw]] | None = None

    def pdu(self) -> tuple[int, bytes]:
        """Tag of the PDU that is due, and its octets after the request id."""
        pdu = self.pdus[self.answered]
        if pdu.kind == "get":
            return ber.GET, pdu.body
        return (ber.GET_NEXT, _ZEROS + ber.question(pdu.oids)) if self.version == 1 else (ber.GET_BULK, pdu.body)

    @property
    def version(self) -> int:
        """1, 2 or 3."""
        return 3 if self.engine is not None else self.agent.credentials.version  # type: ignore[union-attr]  # no engine: a community

    def lacks(self, index: int) -> bool:
        """Version 1 names one object that the agent lacks: go on without it; False where it names none."""
        at = self.answered
        pdu = self.pdus[at]
        if not 1 <= index <= len(pdu.oids):
            return False
        oid = pdu.oids[index - 1]
        missing = Missing.NO_SUCH_OBJECT if pdu.kind == "get" else Missing.END_OF_MIB_VIEW
        if self.objects is not None:
            self.objects.append((ber.encoded(oid), missing))
        elif ber.key(oid) in self.slots:
            self.values[self.slots[ber.key(oid)]] = missing
        self.pdus = (*self.pdus[:at], pdu.without(oid), *self.pdus[at + 1 :])
        return True


class FastAsker:
    """Asks through one socket per address family."""

    def __init__(self) -> None:
        self.rejected: Counter[str] = Counter()
        """Why messages were not believed, and how many."""
        self._sockets: dict[socket.AddressFamily, Socket] = {}
        self._flights: dict[int, _Flight] = {}
        self._peers: dict[Peer, set[_Flight]] = {}
        self._engines: dict[tuple[str, int, User], v3.Engine] = {}
        self._addresses: dict[tuple[str, int], tuple[Peer, socket.AddressFamily, float]] = {}
        self._places = asyncio.Semaphore(_MOST_UNDER_WAY)
        self._sweeping: asyncio.TimerHandle | None = None
        self._ids: Iterator[int] = iter(())
        self._loop = asyncio.get_running_loop()
        self._time = self._loop.time
        self._good: set[tuple[str, int, Community | User]] = set()
        self._probed_s: dict[tuple[str, int], float] = {}

    # ---- the interface

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        """Send one PDU and wait for its answer."""
        objects: list[tuple[bytes, Raw]] = []
        ran = await self._run(agent, (pdu,), {}, [], objects)
        if ran.outcome is not Outcome.OK:
            return Answer(ran.outcome, {}, ran.detail)
        table: Table = {}
        try:
            for encoded, raw in objects:
                # endOfMibView comes under the name of the last object before it (RFC 3416 4.2.3).
                table.setdefault(ber.name(encoded), raw)
        except ber.Undecodable as error:
            return Answer(Outcome.UNDECODABLE, {}, str(error))
        if pdu.kind == "get" and set(table) != set(pdu.oids):
            return Answer(Outcome.UNDECODABLE, {}, "it answered with other objects than were asked for")
        return Answer(Outcome.OK, table)

    async def run(self, agent: Agent, pdus: Sequence[Pdu], slots: Mapping[bytes, int], values: list[Raw | None]) -> Ran:
        """Send PDUs one after the other; wanted values go to their places."""
        return await self._run(agent, pdus, slots, values, None)

    def close(self) -> None:
        """Give sockets and timers back; who still waits is told that there was no answer."""
        for flight in list({id(f): f for f in self._flights.values()}.values()):
            self._finish(flight, Outcome.SILENT, "farpole stops")
        for one in self._sockets.values():
            one.close()
        self._sockets.clear()
        if self._sweeping is not None:
            self._sweeping.cancel()
            self._sweeping = None

    # ---- flights

    async def _run(
        self,
        agent: Agent,
        pdus: Sequence[Pdu],
        slots: Mapping[bytes, int],
        values: list[Raw | None],
        objects: list[tuple[bytes, Raw]] | None,
    ) -> Ran:
        key = (agent.address, agent.port, agent.credentials)
        async with self._places:
            ran = await self._fly(agent, pdus, slots, values, objects)
            if ran.outcome is Outcome.OK:
                self._good.add(key)
            elif not ran.answered and _may_be_there(agent, ran) and self._may_probe(agent):
                ran = await self._probe(agent, pdus, slots, values, objects, ran, key in self._good)
        return ran

    async def _fly(
        self,
        agent: Agent,
        pdus: Sequence[Pdu],
        slots: Mapping[bytes, int],
        values: list[Raw | None],
        objects: list[tuple[bytes, Raw]] | None,
        level: int = v3.AUTH | v3.PRIV,
        engine: v3.Engine | None = None,
    ) -> Ran:
        try:
            peer, family = await self._resolve(agent)
        except OSError as error:
            return Ran(Outcome.SILENT, 0, f"could not be asked: {error.strerror or error}"[:200])
        flight = _Flight(agent, peer, pdus, self._loop.create_future())
        flight.slots, flight.values, flight.objects, flight.level = slots, values, objects, level
        if isinstance(agent.credentials, User):
            flight.engine = engine or self._engines.setdefault(
                (agent.address, agent.port, agent.credentials), v3.Engine(agent.credentials)
            )
        if family not in self._sockets:
            self._sockets[family] = Socket(family, self._received, self._failed, self._flights.__len__)
        self._peers.setdefault(peer, set()).add(flight)
        self._send(flight, fresh=True)
        try:
            return await flight.done
        finally:
            self._forget(flight)

    async def _resolve(self, agent: Agent) -> tuple[Peer, socket.AddressFamily]:
        where, loop = (agent.address, agent.port), self._loop
        known = self._addresses.get(where)
        if known is None or loop.time() > known[2]:
            found = await loop.getaddrinfo(agent.address, agent.port, type=socket.SOCK_DGRAM)
            family, *_, address = found[0]
            peer: Peer = address  # type: ignore[assignment]  # asked for datagrams over IP, so it is one of the two
            self._addresses[where] = (peer, family, loop.time() + _NAMES_KEPT_S)
            return peer, family
        return known[0], known[1]

    def _id(self) -> int:
        """An id that cannot be guessed and takes four octets."""
        for made in self._ids:
            number = made & 0x3FFF_FFFF | 0x4000_0000
            if number not in self._flights:
                return number
        self._ids = iter(struct.unpack("1024I", os.urandom(4096)))
        return self._id()

    def _send(self, flight: _Flight, fresh: bool) -> None:
        """Send the PDU that is due; ``fresh`` when it is not a repetition."""
        if fresh:
            flight.tries, flight.resyncs, flight.heard = 0, 0, None
        number, now_s = self._id(), self._time()
        self._flights[number] = flight
        flight.ids.append(number)
        request = b"\x02\x04" + number.to_bytes(4, "big")
        tag, body = flight.pdu()
        engine = flight.engine
        if engine is None:
            parts = (flight.head, ber.head(tag, 6 + len(body)), request, body)
            data = b"".join((ber.head(ber.SEQUENCE, sum(map(len, parts))), *parts))
        elif not engine.engine_id:
            data = v3.discovery(number, request)
        else:
            data = v3.message(engine, number, ber.element(tag, request, body), now_s, flight.level)
        flight.deadline_s = now_s + flight.agent.timeout_s
        self._sockets[socket.AF_INET6 if len(flight.peer) == 4 else socket.AF_INET].send(data, flight.peer)
        if self._sweeping is None:
            self._sweeping = self._loop.call_later(_SWEEP_S, self._sweep)

    def _sweep(self) -> None:
        """Look once for all flights whose time is up."""
        now_s = self._time()
        self._sweeping = None
        late = {id(f): f for f in self._flights.values() if f.deadline_s <= now_s}
        for flight in late.values():
            if flight.done.done():
                continue
            if flight.tries < flight.agent.retries and (flight.heard is None or flight.heard[0] is not Outcome.REFUSED):
                flight.tries += 1
                self._send(flight, fresh=False)
            else:
                self._finish(flight, *(flight.heard or (Outcome.SILENT, _NO_ANSWER)))
        if self._flights and self._sweeping is None:
            self._sweeping = self._loop.call_later(_SWEEP_S, self._sweep)

    def _finish(self, flight: _Flight, outcome: Outcome, detail: str = "") -> None:
        if not flight.done.done():
            flight.done.set_result(Ran(outcome, flight.answered, detail))
        self._forget(flight)

    def _forget(self, flight: _Flight) -> None:
        for number in flight.ids:
            self._flights.pop(number, None)
        flight.ids.clear()
        under_way = self._peers.get(flight.peer)
        if under_way is not None:
            under_way.discard(flight)
            if not under_way:
                del self._peers[flight.peer]

    def _failed(self, peer: Peer, why: str) -> None:
        for flight in list(self._peers.get(peer, ())):
            self._finish(flight, Outcome.SILENT, why)

    # ---- answers

    def _received(self, data: bytes, peer: Peer) -> None:
        try:
            at, stop = ber.inside(data, 0, len(data), ber.SEQUENCE)
            version, at = ber.integer(data, at, stop)
            if version == 3:
                self._received_v3(v3.read(data, at, stop), peer)
            elif version in (0, 1):
                self._received_v2c(version, data, at, stop, peer)
            else:
                raise ber.Undecodable(f"version {version}")
        except (ber.Undecodable, IndexError) as error:
            self._unreadable(peer, str(error))

    def _unreadable(self, peer: Peer, why: str) -> None:
        self.rejected["undecodable"] += 1
        for flight in self._peers.get(peer, ()):
            if flight.heard is None:
                flight.heard = (Outcome.UNDECODABLE, f"it answered with what is no SNMP message of ours: {why}"[:200])

    def _flight(self, number: int, peer: Peer) -> _Flight | None:
        flight = self._flights.get(number)
        if flight is None:
            self.rejected["unknown id"] += 1
        elif flight.peer[:2] != peer[:2]:
            self.rejected["wrong source"] += 1
            return None
        return flight

    def _received_v2c(self, version: int, data: bytes, at: int, stop: int, peer: Peer) -> None:
        community, at = ber.octets(data, at, stop)
        number, status, index, at, stop = ber.response(data, at, stop)
        flight = self._flight(number, peer)
        if flight is None:
            return
        credentials = flight.agent.credentials
        if not isinstance(credentials, Community) or version != credentials.version - 1:
            self.rejected["version"] += 1
        elif community != credentials.word.encode():
            self.rejected["community"] += 1
        else:
            self._believe(flight, status, index, data, at, stop)

    def _received_v3(self, came: v3.Message, peer: Peer) -> None:
        flight = self._flight(came.message_id, peer)
        if flight is None:
            return
        engine = flight.engine
        if engine is None:
            self.rejected["version"] += 1
            return
        if not came.flags & v3.PRIV and self._is_report(came):
            self._report(flight, engine, came)
            return
        try:
            data, at, stop = v3.open_scoped(engine, came, self._time(), flight.level)
        except v3.NotBelieved as error:
            self.rejected[str(error)] += 1
            if flight.heard is None:
                flight.heard = (Outcome.REFUSED, f"its answer is not believed: {error}")
            return
        except ber.Undecodable as error:
            self.rejected["undecodable"] += 1
            flight.heard = (Outcome.REFUSED, f"{v3.REFUSALS[v3.DECRYPTION]} ({error})")
            return
        number, status, index, at, stop = ber.response(data, at, stop)
        if number not in flight.ids:
            self.rejected["unknown id"] += 1
            return
        self._believe(flight, status, index, data, at, stop)

    def _is_report(self, came: v3.Message) -> bool:
        try:
            return v3.report(came) > 0
        except ber.Undecodable:
            return False

    def _report(self, flight: _Flight, engine: v3.Engine, came: v3.Message) -> None:
        """RFC 3414 section 4: who the engine is, and what its clock says."""
        said, now_s = v3.report(came), self._time()
        if said == v3.UNKNOWN_ENGINE and came.engine_id and flight.resyncs < _MOST_RESYNCS:
            engine.learn(came.engine_id, came.boots, came.time_s, now_s)
        elif said == v3.NOT_IN_WINDOW and v3.authentic(engine, came) and flight.resyncs < _MOST_RESYNCS:
            # The id in an authentic report is ours and fresh: an engine that lost count of its boots is believed.
            engine.authentic = False
            engine.synchronise(came.boots, came.time_s, now_s)
        else:
            flight.heard = (Outcome.REFUSED, v3.REFUSALS.get(said, f"a report of usmStats {said}"))
            return
        flight.resyncs += 1
        self._send(flight, fresh=False)

    def _believe(self, flight: _Flight, status: int, index: int, data: bytes, at: int, stop: int) -> None:
        """Take an answer that is ours: values to their places, and on to the next PDU."""
        if status:
            self._error(flight, status, index)
            return
        if flight.objects is None:
            ber.collect(data, at, stop, flight.slots, flight.values)
        else:
            flight.objects += ber.varbinds(data, at, stop)
        self._next(flight)

    def _next(self, flight: _Flight) -> None:
        flight.answered += 1
        for number in flight.ids:
            self._flights.pop(number, None)
        flight.ids.clear()
        if flight.answered < len(flight.pdus):
            self._send(flight, fresh=True)
        else:
            self._finish(flight, Outcome.OK)

    def _error(self, flight: _Flight, status: int, index: int) -> None:
        word = STATUS.get(status, f"error {status}")
        if status in _NOT_ALLOWED:
            self._finish(flight, Outcome.REFUSED, f"{word}: the agent does not let us see these objects")
            return
        if flight.version == 1 and status == 2 and flight.lacks(index):
            if flight.pdus[flight.answered].oids:
                self._send(flight, fresh=True)
            else:
                self._next(flight)
            return
        self._finish(flight, Outcome.AGENT_ERROR, f"{word} at object {index}")

    # ---- silent agents that may be there after all

    def _may_probe(self, agent: Agent) -> bool:
        now_s, where = self._time(), (agent.address, agent.port)
        if now_s - self._probed_s.get(where, -_PROBE_AGAIN_S) < _PROBE_AGAIN_S:
            return False
        self._probed_s[where] = now_s
        return True

    async def _probe(
        self,
        agent: Agent,
        pdus: Sequence[Pdu],
        slots: Mapping[bytes, int],
        values: list[Raw | None],
        objects: list[tuple[bytes, Raw]] | None,
        silent: Ran,
        was_good: bool,
    ) -> Ran:
        """Is a silent agent there after all? It tells anybody who its engine is (RFC 3414 section 4)."""
        once = Agent(agent.address, agent.port, agent.credentials, agent.timeout_s, 0)
        stranger = User("", "farpole-stranger", "farpole-stranger")
        engine = v3.Engine(stranger)
        asked = Agent(agent.address, agent.port, stranger, agent.timeout_s, 0)
        uptime = (Pdu("get", (_SYS_UPTIME,)),)
        await self._fly(asked, uptime, {}, [], [], engine=engine)
        if not engine.engine_id:
            return silent
        if isinstance(agent.credentials, Community):
            words = "it is there, and does not know this community"
            return silent if was_good else Ran(Outcome.REFUSED, 0, words)
        own = self._engines[agent.address, agent.port, agent.credentials]
        if own.other_way():
            ran = await self._fly(once, pdus, slots, values, objects)
            if ran.outcome is Outcome.OK:
                return ran
            own.other_way()
        only_auth = await self._fly(once, uptime, {}, [], [], level=v3.AUTH)
        if only_auth.outcome is not Outcome.OK and "authorizationError" not in only_auth.detail:
            return silent
        again = await self._fly(once, pdus, slots, values, objects)  # it may have been one lost datagram
        lost = again.outcome is not Outcome.SILENT
        return again if lost else Ran(Outcome.REFUSED, 0, v3.REFUSALS[v3.DECRYPTION])


def _may_be_there(agent: Agent, ran: Ran) -> bool:
    """No answer at all, or (v3) one that decrypts to noise: it may be our credentials."""
    if ran.outcome is Outcome.REFUSED:
        return isinstance(agent.credentials, User) and v3.REFUSALS[v3.DECRYPTION] in ran.detail
    return ran.outcome is Outcome.SILENT and ran.detail == _NO_ANSWER
