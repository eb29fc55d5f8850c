"""Our own way to SNMP agents: one socket for all, answers checked before anything in them is believed.

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
from collections.abc import Iterator, Sequence
from ipaddress import ip_address
from typing import Any

from monitor.devices.ask import snmp_ber as ber
from monitor.devices.ask import snmp_v3 as v3
from monitor.devices.ask.snmp import SILENCE, Agent, Community, Outcome, Pdu, Ran, User, Why, complaint, outcome_of
from monitor.devices.ask.snmp_flight import Flight, Sink
from monitor.devices.ask.snmp_udp import Peer, Socket

_NO_SUCH_NAME = 2
_SWEEP_S = 0.02
_MOST_RESYNCS = 4
_NAMES_KEPT_S = 300.0


class Wire:
    """Sockets, flights and engines."""

    def __init__(self) -> None:
        self.rejected: Counter[str] = Counter()
        """Why messages were not believed, and how many."""
        self.engines: dict[tuple[str, int, User], v3.Engine] = {}
        self._sockets: dict[socket.AddressFamily, Socket] = {}
        self._flights: dict[int, Flight] = {}
        self._peers: dict[Peer, set[Flight]] = {}
        self._addresses: dict[tuple[str, int], tuple[Peer, socket.AddressFamily, float]] = {}
        self._sweeping: asyncio.TimerHandle | None = None
        self._ids: Iterator[int] = iter(())
        self._loop = asyncio.get_running_loop()
        self._time = self._loop.time

    def engine(self, agent: Agent, user: User) -> v3.Engine:
        """What is known of an agent's engine for a user."""
        return self.engines.setdefault((agent.address, agent.port, user), v3.Engine(user))

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

    async def fly(
        self,
        agent: Agent,
        pdus: Sequence[Pdu],
        sink: Sink,
        engine: v3.Engine | None = None,
    ) -> Ran:
        """Send PDUs one after the other and let the sink take what comes."""
        try:
            peer, family = await self._resolve(agent)
            if family not in self._sockets:
                self._sockets[family] = Socket(family, self._received, self._failed, self._flights.__len__)
        except OSError as error:
            return Ran(outcome_of(error), 0, f"could not be asked: {error.strerror or error}"[:200])
        flight = Flight(agent, peer, pdus, sink, self._loop.create_future())
        if isinstance(agent.credentials, User):
            flight.engine = engine or self.engine(agent, agent.credentials)
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
            family, *_, address = (await self._found(agent))[0]
            peer: Peer = address
            self._addresses[where] = (peer, family, loop.time() + _NAMES_KEPT_S)
            return peer, family
        return known[0], known[1]

    async def _found(self, agent: Agent) -> list[Any]:
        """What getaddrinfo(3) says. An address needs no thread to be read; a name does, and may hang in it."""
        try:
            ip_address(agent.address)
        except ValueError:
            return await self._loop.getaddrinfo(agent.address, agent.port, type=socket.SOCK_DGRAM)
        return socket.getaddrinfo(agent.address, agent.port, type=socket.SOCK_DGRAM, flags=socket.AI_NUMERICHOST)

    def _id(self) -> int:
        """An id that cannot be guessed and takes four octets."""
        for made in self._ids:
            number = made & 0x3FFF_FFFF | 0x4000_0000
            if number not in self._flights:
                return number
        self._ids = iter(struct.unpack("1024I", os.urandom(4096)))
        return self._id()

    def _send(self, flight: Flight, fresh: bool) -> None:
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
            data = v3.message(engine, number, ber.element(tag, request, body), now_s)
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
                self._finish(flight, *(flight.heard or (Outcome.SILENT, SILENCE[Why.NO_ANSWER], Why.NO_ANSWER)))
        if self._flights and self._sweeping is None:
            self._sweeping = self._loop.call_later(_SWEEP_S, self._sweep)

    def _finish(self, flight: Flight, outcome: Outcome, detail: str = "", why: Why = Why.OTHER) -> None:
        if not flight.done.done():
            flight.done.set_result(Ran(outcome, flight.answered, detail, why))
        self._forget(flight)

    def _forget(self, flight: Flight) -> None:
        for number in flight.ids:
            self._flights.pop(number, None)
        flight.ids.clear()
        under_way = self._peers.get(flight.peer)
        if under_way is not None:
            under_way.discard(flight)
            if not under_way:
                del self._peers[flight.peer]

    def _failed(self, peer: Peer, outcome: Outcome, detail: str, why: Why) -> None:
        for flight in list(self._peers.get(peer, ())):
            self._finish(flight, outcome, detail, why)

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
                words = f"it answered with what is no SNMP message of ours: {why}"[:200]
                flight.heard = (Outcome.UNDECODABLE, words, Why.OTHER)

    def _flight(self, number: int, peer: Peer) -> Flight | None:
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
            data, at, stop = v3.open_scoped(engine, came, self._time())
        except v3.NotBelieved as error:
            self.rejected[str(error)] += 1
            if flight.heard is None:
                flight.heard = (Outcome.REFUSED, f"its answer is not believed: {error}", Why.OTHER)
            return
        except ber.Undecodable as error:
            self.rejected["undecodable"] += 1
            flight.heard = (Outcome.REFUSED, f"{v3.REFUSALS[v3.DECRYPTION]} ({error})", Why.NOT_DECRYPTED)
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

    def _report(self, flight: Flight, engine: v3.Engine, came: v3.Message) -> None:
        """RFC 3414 section 4: who the engine is, and what its clock says."""
        said, now_s = v3.report(came), self._time()
        if said == v3.UNKNOWN_ENGINE and came.engine_id and flight.resyncs < _MOST_RESYNCS:
            engine.learn(came.engine_id, came.boots, came.time_s, now_s)
        elif said == v3.NOT_IN_WINDOW and v3.authentic(engine, came) and flight.resyncs < _MOST_RESYNCS:
            # The id in an authentic report is ours and fresh: an engine that lost count of its boots is believed.
            engine.authentic = False
            engine.synchronise(came.boots, came.time_s, now_s)
        else:
            why = Why.NOT_DECRYPTED if said == v3.DECRYPTION else Why.OTHER
            flight.heard = (Outcome.REFUSED, v3.REFUSALS.get(said, f"a report of usmStats {said}"), why)
            return
        flight.resyncs += 1
        self._send(flight, fresh=False)

    def _believe(self, flight: Flight, status: int, index: int, data: bytes, at: int, stop: int) -> None:
        """Take an answer that is ours: values to their places, and on to the next PDU."""
        if status:
            self._error(flight, status, index)
            return
        flight.sink.take(data, at, stop)
        self._next(flight)

    def _next(self, flight: Flight) -> None:
        flight.answered += 1
        for number in flight.ids:
            self._flights.pop(number, None)
        flight.ids.clear()
        if flight.answered < len(flight.pdus):
            self._send(flight, fresh=True)
        else:
            self._finish(flight, Outcome.OK)

    def _error(self, flight: Flight, status: int, index: int) -> None:
        if flight.version == 1 and status == _NO_SUCH_NAME and flight.lacks(index):
            if flight.pdus[flight.answered].oids:
                self._send(flight, fresh=True)
            else:
                self._next(flight)
            return
        self._finish(flight, *complaint(status, index))
