"""Asking SNMP agents with our own codec: v1, v2c and v3, thousands of values a second on a small board."""

import asyncio
from collections import Counter
from collections.abc import Mapping, Sequence

from monitor.devices.ask import snmp_ber as ber
from monitor.devices.ask import snmp_v3 as v3
from monitor.devices.ask.snmp import Agent, Answer, Community, Outcome, Pdu, Ran, User, Why
from monitor.devices.ask.snmp_flight import Sink
from monitor.devices.ask.snmp_wire import Wire
from monitor.devices.decode.raw import Oid, Raw, Table

_MOST_UNDER_WAY = 64
"""More answers at once than the socket's buffer holds would be lost, and healthy agents seem silent."""
_PROBE_AGAIN_S = 60.0
_UPTIME: Oid = (1, 3, 6, 1, 2, 1, 1, 3, 0)


class FastAsker:
    """Asks over one wire; a silent agent is probed once a minute, for it may be our credentials."""

    def __init__(self) -> None:
        self._wire = Wire()
        self._places = asyncio.Semaphore(_MOST_UNDER_WAY)
        self._time = asyncio.get_running_loop().time
        self._good: set[tuple[str, int, Community | User]] = set()
        self._probed_s: dict[tuple[str, int], float] = {}

    @property
    def rejected(self) -> Counter[str]:
        """Why messages were not believed, and how many."""
        return self._wire.rejected

    @property
    def engines(self) -> Mapping[tuple[str, int, User], v3.Engine]:
        """What is known of the engines that were asked, by address, port and user."""
        return self._wire.engines

    def engine_ids(self) -> set[bytes]:
        """SNMP v3 engines that have been met."""
        return {engine.engine_id for engine in self._wire.engines.values() if engine.engine_id}

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        """Send one PDU and wait for its answer."""
        objects: list[tuple[bytes, Raw]] = []
        ran = await self._run(agent, (pdu,), Sink(objects=objects))
        if ran.outcome is not Outcome.OK:
            return Answer(ran.outcome, {}, ran.detail, ran.why)
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
        return await self._run(agent, pdus, Sink(slots, values))

    def close(self) -> None:
        """Give sockets and timers back."""
        self._wire.close()

    async def _run(self, agent: Agent, pdus: Sequence[Pdu], sink: Sink) -> Ran:
        key = (agent.address, agent.port, agent.credentials)
        async with self._places:
            ran = await self._wire.fly(agent, pdus, sink)
            if ran.outcome is Outcome.OK:
                self._good.add(key)
            elif not ran.answered and _may_be_there(agent, ran) and self._doubtful(key) and self._may_probe(agent):
                ran = await self._probe(agent, pdus, sink, ran)
        return ran

    def _doubtful(self, key: tuple[str, int, Community | User]) -> bool:
        """May our credentials be the reason? A community that was once right is not: then it is silence."""
        return not (key in self._good and isinstance(key[2], Community))

    def _may_probe(self, agent: Agent) -> bool:
        now_s, where = self._time(), (agent.address, agent.port)
        if now_s - self._probed_s.get(where, -_PROBE_AGAIN_S) < _PROBE_AGAIN_S:
            return False
        self._probed_s[where] = now_s
        return True

    async def _probe(self, agent: Agent, pdus: Sequence[Pdu], sink: Sink, silent: Ran) -> Ran:
        """Is a silent agent there after all? It tells anybody who its engine is (RFC 3414 section 4)."""
        once = Agent(agent.address, agent.port, agent.credentials, agent.timeout_s, 0)
        stranger = v3.Engine(User("", "farpole-stranger", "farpole-stranger"))
        asked = Agent(agent.address, agent.port, stranger.user, agent.timeout_s, 0)
        uptime = (Pdu("get", (_UPTIME,)),)
        await self._wire.fly(asked, uptime, Sink(objects=[]), engine=stranger)
        if not stranger.engine_id:
            return silent
        if isinstance(agent.credentials, Community):
            return Ran(Outcome.REFUSED, 0, "it is there, and does not know this community")
        own = self._wire.engine(agent, agent.credentials)
        if own.other_way():
            ran = await self._wire.fly(once, pdus, sink)
            if ran.outcome is Outcome.OK:
                return ran
            own.other_way()
        # Never at a lower level: of an encrypted question out of its time window an agent checks the digest, says so in
        # a Report with a digest of its own, and does not decrypt (RFC 3414 section 3.2, steps 6 to 8).
        late = v3.Engine(agent.credentials)
        late.learn(stranger.engine_id, 0, 0, self._time())
        came = await self._wire.fly(once, uptime, Sink(objects=[]), engine=late)
        if came.outcome is not Outcome.OK and not late.authentic:
            return silent
        again = await self._wire.fly(once, pdus, sink)  # it may have been one lost datagram
        lost = again.outcome is not Outcome.SILENT
        return again if lost else Ran(Outcome.REFUSED, 0, v3.REFUSALS[v3.DECRYPTION], Why.NOT_DECRYPTED)


def _may_be_there(agent: Agent, ran: Ran) -> bool:
    """No answer at all, or (v3) one that decrypts to noise: it may be our credentials."""
    if ran.outcome is Outcome.REFUSED:
        return isinstance(agent.credentials, User) and ran.why is Why.NOT_DECRYPTED
    return ran.outcome is Outcome.SILENT and ran.why is Why.NO_ANSWER
