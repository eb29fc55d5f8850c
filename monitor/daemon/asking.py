"""Asking many devices at once, each one PDU at a time, silent ones in a lane of their own."""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from enum import Enum
from functools import lru_cache

from monitor.alarms.silence import Sight
from monitor.daemon.clock import Clock
from monitor.daemon.pulse import Pulse
from monitor.devices.ask import icmp
from monitor.devices.ask.own import CouldNotAsk
from monitor.devices.ask.snmp import WALK_S, Agent, Answer, Asker, Community, Outcome, User, walk
from monitor.devices.ask.snmp_round import LEAST_OCTETS, MOST_OCTETS, WHOLE_S, Came, Shape, fetch, shape
from monitor.devices.ask.snmp_turns import TurnsAsker
from monitor.devices.ask.tcp import Tcp, connect
from monitor.devices.decode.raw import Missing, Oid, Table
from monitor.devices.questions import Device, LoadToAsk, Script, fill, to_learn, undecodable
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.facts.states import TcpState

TIMEOUT_S, HURRY_TIMEOUT_S = 1.0, 0.5
"""How long an agent may take; where a silence is being verified, only what is quick helps."""
SLOW_LANE = 4
"""How many silent devices are asked at once; the living have places of their own."""
SLOW_S = 5.0
"""How long a silent device may keep its place of the slow lane: one that drips must not hold up the others."""
_TCP_STATES = {Tcp.OPEN: TcpState.OPEN, Tcp.REFUSED: TcpState.REFUSED}
_AGENT_STATES = {
    Outcome.OK: State.SEEN,
    Outcome.AGENT_ERROR: State.SEEN,
    Outcome.SILENT: State.SILENT,
    Outcome.UNDECODABLE: State.GARBLED,
}


HEARD_SHARE = 0.75
"""A silence counts only if we listened for this part of the time that a device may take (our choice: an answer takes
some milliseconds)."""
STILL_S = 0.5
"""A failed look at a stream or a register is not believed across such a standstill (our choice)."""
MOST_PATIENCE = 8.0
"""So much longer is waited for answers where the machine is so busy that nothing could be said before."""


class OwnFault(Enum):
    """Why a device was not asked, or not heard, by this machine's own fault."""

    SOCKETS = "no socket could be opened"
    BUSY = "this machine was too busy to hear an answer in time"


ASK_AGAIN_ROUNDS = 30
"""What a device lacks is asked for again each so many rounds: an optic may have come back."""


@lru_cache(256)
def _shape(
    oids: tuple[Oid, ...], rows: tuple[tuple[Oid, tuple[Oid, ...]], ...], most_octets: int, lacking: frozenset[Oid]
) -> Shape:
    """Devices of one kind share a shape, so that a thousand of them take no memory for it."""
    return shape(oids, dict(rows), most_octets, lacking)


@dataclass
class _Manner:
    """How one device is asked for one script, learnt as it answers."""

    script: Script
    most_octets: int = MOST_OCTETS
    lacking: frozenset[Oid] = frozenset()
    rounds: int = 0
    planned: Shape | None = None

    def shape(self, by_column: bool) -> Shape:
        """The PDUs of the next round."""
        self.rounds += 1
        if self.planned is None or self.rounds % ASK_AGAIN_ROUNDS == 0:
            again = self.rounds % ASK_AGAIN_ROUNDS == 0
            rows = tuple(self.script.rows.items()) if by_column else ()
            lacking = frozenset() if again else self.lacking
            self.planned = _shape(self.script.oids, rows, self.most_octets, lacking)
        return self.planned

    def learn(self, came: Came) -> None:
        """Ask in smaller pieces after an answer that was cut, and not for what the device lacks."""
        if came.outcome is not Outcome.OK:
            return
        if came.cut and self.most_octets > LEAST_OCTETS:
            self.most_octets, self.planned = self.most_octets // 2, None
        lacking = frozenset(
            oid for oid, raw in zip(self.script.oids, came.values, strict=True) if raw.__class__ is Missing
        )
        if lacking != self.lacking or self.rounds % ASK_AGAIN_ROUNDS == 0:
            self.lacking, self.planned = lacking, None


class Asking:
    """The one way to devices."""

    def __init__(self, asker: Asker, credentials: dict[str, Community | User], clock: Clock, may_ping: bool) -> None:
        self.pulse = Pulse(clock)
        self.unasked: Counter[OwnFault] = Counter()
        """How often a device could not be asked or heard, by our own fault."""
        self._patience: dict[str, float] = {}
        self._asker, self._credentials, self._clock, self._may_ping = TurnsAsker(asker), credentials, clock, may_ping
        self._one_at_a_time: dict[str, asyncio.Lock] = {}
        self._slow = asyncio.Semaphore(SLOW_LANE)
        self._silent: set[str] = set()
        self._layouts: dict[str, Layout] = {}
        self._manners: dict[tuple[str, str], _Manner] = {}

    def _agent(self, device: Device, hurry: bool) -> Agent:
        credentials, silent = self._credentials[device.credentials], device.name in self._silent
        timeout_s = self._timeout_s(device.place, hurry)
        return Agent(device.address, device.port, credentials, timeout_s, 0 if hurry or silent else 1)

    def _timeout_s(self, place: str, hurry: bool) -> float:
        return (HURRY_TIMEOUT_S if hurry else TIMEOUT_S) * self._patience.get(place, 1.0)

    def _too_deaf(self, since_s: float, place: str, timeout_s: float) -> bool:
        """Did nobody answer because we did not listen for long enough?"""
        listened_s = self._clock.monotonic_s() - since_s - self.pulse.deaf_s(since_s)
        if self.pulse.deaf_s(since_s) == 0.0 or listened_s >= HEARD_SHARE * timeout_s / self._patience.get(place, 1.0):
            return False
        self.unasked[OwnFault.BUSY] += 1
        return True

    def could_not(self) -> None:
        """A look by another way could not be made for want of a socket."""
        self.unasked[OwnFault.SOCKETS] += 1

    def stood_still(self, since_s: float) -> bool:
        """Did this program stand still while something was looked at, so that a failure says nothing?"""
        if self.pulse.deaf_s(since_s) < STILL_S:
            return False
        self.unasked[OwnFault.BUSY] += 1
        return True

    def _learn_patience(self, place: str, busy: bool) -> None:
        """The busier we are, the longer a device may take: else a busy machine would never find out anything."""
        if busy:
            self._patience[place] = min(MOST_PATIENCE, 2.0 * self._patience.get(place, 1.0))
        else:
            self._patience.pop(place, None)

    @asynccontextmanager
    async def _lane(self, name: str, usual_s: float) -> AsyncIterator[float]:
        """One place of the slow lane for a device that was silent, whatever it is asked for; the others need none.

        How long all its answers together may take.
        """
        if name not in self._silent:
            yield usual_s
            return
        async with self._one_at_a_time.setdefault(name, asyncio.Lock()), self._slow:
            yield SLOW_S

    async def learn(self, device: Device) -> Table | None:
        """Walk the tables that tell which rows exist; None where the device did not answer."""
        columns = to_learn(device)
        if not columns:
            return {}
        return await self.tables(device, columns)

    async def tables(self, device: Device, columns: Iterable[Oid]) -> Table | None:
        """Walk columns of a device; None where it did not answer."""
        async with self._lane(device.name, WALK_S) as whole_s:
            answer = await walk(self._asker, self._agent(device, False), columns, whole_s=whole_s)
        return answer.objects if answer.outcome is Outcome.OK else None

    async def round(self, device: Device, script: Script, hurry: bool = False) -> tuple[Round, Answer]:
        """Ask one device what a script wants."""
        async with self._lane(device.name, WHOLE_S) as whole_s:
            began_s, agent = self._clock.monotonic_s(), self._agent(device, hurry)
            came = await self._fetch(agent, device.name, script, whole_s)
        if came.outcome is Outcome.UNASKED:
            self.unasked[OwnFault.SOCKETS] += 1
        elif came.outcome is Outcome.SILENT and self._too_deaf(began_s, device.place, agent.timeout_s):
            came = replace(came, outcome=Outcome.UNASKED)
        self._remember(device.name, came.outcome is Outcome.SILENT)
        at_s, answer = self._clock.wall_s(), Answer(came.outcome, {}, came.detail)
        if came.outcome is Outcome.UNDECODABLE:
            return undecodable(script, at_s, came.detail), answer
        return fill(script, came.values, at_s), answer

    async def _fetch(self, agent: Agent, device: str, script: Script, whole_s: float) -> Came:
        if not script.oids:
            return Came(Outcome.OK, [])
        key = (device, script.layout.tier)
        manner = self._manners.get(key)
        if manner is None or manner.script is not script:
            most = manner.most_octets if manner else MOST_OCTETS
            manner = self._manners[key] = _Manner(script, most)
        by_column = not (isinstance(agent.credentials, Community) and agent.credentials.version == 1)
        came = await fetch(self._asker, agent, manner.shape(by_column), whole_s)
        manner.learn(came)
        return came

    def _remember(self, name: str, silent: bool) -> None:
        (self._silent.add if silent else self._silent.discard)(name)

    async def place(
        self, device: Device, script: Script, loads: list[LoadToAsk], hurry: bool
    ) -> tuple[Sight, list[Round], dict[str, bool], Answer]:
        """Ask a place in every way that the plan names: agent, ping, loads, all at once.

        What was seen, the rounds to keep, which loads refused their service, and what the agent said.
        """
        timeout_s, busy = self._timeout_s(device.place, hurry), self.unasked[OwnFault.BUSY]
        (readings, answer), ping, answers = await asyncio.gather(
            self.round(device, script, hurry),
            self._ping(device.ping, device.place, device.address, timeout_s),
            asyncio.gather(*(self._load(load, timeout_s) for load in loads)),
        )
        # Another place's question counts as well: it is the same machine that was busy.
        self._learn_patience(device.place, self.unasked[OwnFault.BUSY] > busy)
        rounds = [] if answer.outcome is Outcome.UNASKED else [readings]
        states: dict[str, State] = {}
        services: dict[str, bool] = {}
        for load, one in zip(loads, answers, strict=True):
            if one is None:
                continue
            rounds.append(one)
            states[load.name] = State.SEEN if State.SEEN in one.states else State.SILENT
            tcp = one.get(Slot(load.resource, "tcp_state"))
            if tcp is not None:
                services[load.name] = tcp == TcpState.REFUSED
        ping_state = None if ping is None else State.SILENT if ping == State.SILENT else State.SEEN
        sight = Sight(
            device.place,
            readings.at_s,
            _AGENT_STATES.get(answer.outcome),
            answer.outcome is Outcome.REFUSED,
            ping_state,
            states,
        )
        return sight, rounds, services, answer

    async def _ping(self, wanted: bool, place: str, address: str, timeout_s: float) -> float | State | None:
        """Round trip [s], State.SILENT, or None where it is not asked."""
        if not (wanted and self._may_ping and icmp.worth_asking(address)):
            return None
        began_s = self._clock.monotonic_s()
        try:
            seconds = await icmp.ping(address, timeout_s)
        except CouldNotAsk:
            self.unasked[OwnFault.SOCKETS] += 1
            return None
        if seconds is None and self._too_deaf(began_s, place, timeout_s):
            return None
        return State.SILENT if seconds is None else seconds

    async def _load(self, load: LoadToAsk, timeout_s: float) -> Round | None:
        """A load's round; None where there is no way in which it may be asked."""
        ping, tcp = await asyncio.gather(
            self._ping(load.ping, load.place, load.address, timeout_s), self._connect(load, timeout_s)
        )
        slots = [
            Slot(load.resource, quantity)
            for quantity, one in (("ping_seconds", ping), ("tcp_state", tcp))
            if one is not None
        ]
        if not slots:
            return None
        layout = self._layouts.get(load.resource)
        if layout is None or layout.slots != tuple(slots):
            layout = self._layouts[load.resource] = Layout(load.resource, "reach", tuple(slots))
        readings = Round.blank(layout, self._clock.wall_s(), State.SILENT)
        put: Callable[[int, float], None] = readings.put
        for i, one in enumerate(value for value in (ping, tcp) if value is not None):
            if isinstance(one, Tcp) and one in _TCP_STATES:
                put(i, _TCP_STATES[one])
            elif isinstance(one, float):
                put(i, one)
        return readings

    async def _connect(self, load: LoadToAsk, timeout_s: float) -> Tcp | None:
        if load.tcp_port is None:
            return None
        began_s = self._clock.monotonic_s()
        patience_s = timeout_s if timeout_s < TIMEOUT_S else 2 * timeout_s
        tcp = await connect(load.address, load.tcp_port, patience_s)
        if tcp is Tcp.UNASKED:
            self.unasked[OwnFault.SOCKETS] += 1
            return None
        if tcp is Tcp.SILENT and self._too_deaf(began_s, load.place, patience_s):
            return None
        return tcp

    def engine_ids(self) -> set[bytes]:
        """SNMP v3 engines that have been met: traps are authenticated by them."""
        return self._asker.engine_ids()

    @property
    def rejected(self) -> dict[str, int]:
        """SNMP messages that were not believed, by reason."""
        return dict(self._asker.rejected)

    def close(self) -> None:
        """Give sockets back."""
        self.pulse.close()
        self._asker.close()
