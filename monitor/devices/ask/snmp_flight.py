"""PDUs on their way to one agent, one after the other: what is due, what came, what was heard."""

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from monitor.devices.ask import snmp_ber as ber
from monitor.devices.ask import snmp_v3 as v3
from monitor.devices.ask.snmp import Agent, Community, Outcome, Pdu, Ran, Why
from monitor.devices.ask.snmp_udp import Peer
from monitor.devices.decode.raw import Missing, Oid, Raw

_ZEROS = b"\x02\x01\x00\x02\x01\x00"


@dataclass(frozen=True, slots=True)
class Sink:
    """Where values go: each to its slot, or all of them, with their encoded names, to ``objects``."""

    slots: Mapping[bytes, int] = field(default_factory=dict)
    values: list[Raw | None] = field(default_factory=list)
    objects: list[tuple[bytes, Raw]] | None = None

    def take(self, data: bytes, at: int, stop: int) -> None:
        """Take the varbinds of an answer; raises Undecodable."""
        if self.objects is None:
            ber.collect(data, at, stop, self.slots, self.values)
        else:
            self.objects.extend(ber.varbinds(data, at, stop))

    def put(self, oid: Oid, raw: Raw) -> None:
        """Take one value."""
        if self.objects is not None:
            self.objects.append((ber.encoded(oid), raw))
        elif ber.key(oid) in self.slots:
            self.values[self.slots[ber.key(oid)]] = raw


class Flight:
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
        "pdus",
        "peer",
        "resyncs",
        "sink",
        "tries",
    )

    def __init__(self, agent: Agent, peer: Peer, pdus: Sequence[Pdu], sink: Sink, done: "asyncio.Future[Ran]"):
        self.agent, self.peer, self.pdus, self.sink, self.done = agent, peer, pdus, sink, done
        self.engine: v3.Engine | None = None
        self.answered = 0
        self.ids: list[int] = []
        self.head = b""
        if isinstance(agent.credentials, Community):
            version = ber.number(agent.credentials.version - 1)
            self.head = version + ber.element(ber.OCTETS, agent.credentials.word.encode())
        self.tries = 0
        self.resyncs = 0
        self.deadline_s = 0.0
        self.heard: tuple[Outcome, str, Why] | None = None

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
        self.sink.put(oid, missing)
        self.pdus = (*self.pdus[:at], pdu.without(oid), *self.pdus[at + 1 :])
        return True
