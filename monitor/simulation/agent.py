"""A simulated SNMP v2c agent: GET, GETNEXT and GETBULK over UDP, messages by pysnmp and pyasn1.

Never the codec of ``devices``: a wrong one would then agree with its own errors.
"""

import asyncio
import bisect
from collections.abc import Callable, Mapping
from typing import Any, cast

from pyasn1.codec.ber import decoder, encoder
from pyasn1.error import PyAsn1Error
from pysnmp.proto import api
from pysnmp.proto.api import v2c

from monitor.simulation.mib import Oid, Typed

_TYPES: dict[str, Callable[[Any], Any]] = {
    "integer": v2c.Integer32,
    "octets": v2c.OctetString,
    "oid": v2c.ObjectIdentifier,
    "counter32": v2c.Counter32,
    "counter64": v2c.Counter64,
    "gauge": v2c.Gauge32,
    "ticks": v2c.TimeTicks,
}
_TRAPS, _IF_INDEX = (1, 3, 6, 1, 6, 3, 1, 1, 5), (1, 3, 6, 1, 2, 1, 2, 2, 1, 1)
_MOST_BYTES = 1472
_NOT_WRITABLE = 17


class Agent(asyncio.DatagramProtocol):
    """Answers from ``objects()`` while ``alive()``; is silent otherwise, and to a wrong community."""

    def __init__(self, community: str, objects: Callable[[], Mapping[Oid, Typed]], alive: Callable[[], bool]) -> None:
        self._community, self._objects, self._alive = community.encode(), objects, alive
        self.writing: tuple[str, Callable[[Oid, int], bool]] | None = None
        """The community for SET, and what takes it; None: nothing can be set."""
        self.delay_s = 0.0
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """The socket is open."""
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        """Answer one request, or not."""
        if not self._alive() or self._transport is None:
            return
        try:
            answer = self.answer(data)
        except (PyAsn1Error, KeyError, ValueError):
            return  # what cannot be read gets no answer, as from a real agent (RFC 3416 section 4)
        if answer is not None and self.delay_s:
            asyncio.get_running_loop().call_later(self.delay_s, self._transport.sendto, answer, addr)
        elif answer is not None:
            self._transport.sendto(answer, addr)

    def answer(self, data: bytes) -> bytes | None:
        """The response to one request, as bytes."""
        message, _ = decoder.decode(data, asn1Spec=v2c.Message())
        response = v2c.apiMessage.get_response(message)
        request, reply = v2c.apiMessage.get_pdu(message), v2c.apiMessage.get_pdu(response)
        community = bytes(v2c.apiMessage.get_community(message))
        if request.isSameTypeWith(v2c.SetRequestPDU()):
            return self._set(request, reply, response, community)
        if community != self._community and not (self.writing and community == self.writing[0].encode()):
            return None
        objects = self._objects()
        asked = [tuple(name) for name, _ in v2c.apiPDU.get_varbinds(request)]
        if request.isSameTypeWith(v2c.GetRequestPDU()):
            rows = [(name, _typed(objects.get(name))) for name in asked]
        elif request.isSameTypeWith(v2c.GetNextRequestPDU()):
            rows = _following(objects, asked, 1)
        elif request.isSameTypeWith(v2c.GetBulkRequestPDU()):
            rows = _following(objects, asked, int(v2c.apiBulkPDU.get_max_repetitions(request)))
        else:
            return None
        encoded: bytes
        while True:
            v2c.apiPDU.set_varbinds(reply, rows)
            encoded = encoder.encode(response)
            if len(encoded) <= _MOST_BYTES or len(rows) <= 1:
                return encoded
            rows = rows[: len(rows) * 3 // 4]

    def _set(self, request: Any, reply: Any, response: Any, community: bytes) -> bytes | None:
        """One SET; a wrong community gets no answer, what cannot be set notWritable (RFC 3416 section 4.2.5)."""
        if self.writing is None or community != self.writing[0].encode():
            return None
        rows = v2c.apiPDU.get_varbinds(request)
        for i, (name, value) in enumerate(rows, 1):
            if not self.writing[1](tuple(name), int(value)):
                v2c.apiPDU.set_error_status(reply, _NOT_WRITABLE)
                v2c.apiPDU.set_error_index(reply, i)
        v2c.apiPDU.set_varbinds(reply, rows)
        encoded: bytes = encoder.encode(response)
        return encoded


def _typed(found: Typed | None) -> Any:
    return v2c.NoSuchInstance("") if found is None else _TYPES[found[0]](found[1])


def _following(objects: Mapping[Oid, Typed], asked: list[Oid], repetitions: int) -> list[tuple[Oid, Any]]:
    names, rows = list(objects), []
    at = list(asked)
    for _ in range(max(1, repetitions)):
        for column, name in enumerate(at):
            i = bisect.bisect_right(names, name)
            if i == len(names):
                rows.append((name, v2c.EndOfMibView("")))
            else:
                at[column] = names[i]
                rows.append((names[i], _typed(objects[names[i]])))
    return rows


async def serve(agent: Agent, address: str, port: int) -> asyncio.DatagramTransport:
    """Open the agent's socket; raises OSError where the address or port is taken."""
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(lambda: agent, local_addr=(address, port))
    return transport


def message(community: str, uptime_s: float, number: int, trap: int, row: int | None) -> bytes:
    """A v2c trap as bytes."""
    pdu: Any = v2c.SNMPv2TrapPDU()
    v2c.apiTrapPDU.set_defaults(pdu)
    v2c.apiTrapPDU.set_request_id(pdu, number)
    objects: list[tuple[tuple[int, ...], Any]] = [
        ((1, 3, 6, 1, 2, 1, 1, 3, 0), v2c.TimeTicks(int(uptime_s * 100) % 2**32)),
        ((1, 3, 6, 1, 6, 3, 1, 1, 4, 1, 0), v2c.ObjectIdentifier((*_TRAPS, trap))),
    ]
    if row is not None:
        objects.append(((*_IF_INDEX, row), v2c.Integer32(row)))
    v2c.apiTrapPDU.set_varbinds(pdu, objects)
    whole: Any = v2c.Message()
    v2c.apiMessage.set_defaults(whole)
    v2c.apiMessage.set_community(whole, community)
    v2c.apiMessage.set_pdu(whole, pdu)
    encoded: bytes = encoder.encode(whole)
    return encoded


assert api.SNMP_VERSION_2C == 1, "pysnmp numbers the version as the wire does"
