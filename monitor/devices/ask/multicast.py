"""Asking by multicast who is there: WS-Discovery (UDP 3702) and mDNS (RFC 6762, UDP 5353), from a port of our own."""

import asyncio
import socket
import uuid
from collections.abc import AsyncIterator, Callable
from typing import Any

from monitor.devices.decode import mdns, ws_discovery

WS_DISCOVERY = ("239.255.255.250", 3702)
MDNS = ("224.0.0.251", 5353)
_MOST_ANSWERS = 2000


class _Answers(asyncio.DatagramProtocol):
    def __init__(self) -> None:
        self.came: asyncio.Queue[tuple[bytes, str]] = asyncio.Queue(_MOST_ANSWERS)

    def datagram_received(self, data: bytes, addr: Any) -> None:
        if not self.came.full():
            self.came.put_nowait((data, str(addr[0])))


async def _ask(
    questions: Callable[[], list[bytes]], where: tuple[str, int], address: str, for_s: float
) -> AsyncIterator[Any]:
    loop, sock = asyncio.get_running_loop(), socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setblocking(False)
    sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 1)  # no further than the site's own segment
    sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(address))
    sock.bind((address, 0))
    transport, answers = await loop.create_datagram_endpoint(_Answers, sock=sock)
    try:
        until_s = loop.time() + for_s
        again_s = [loop.time(), loop.time() + for_s / 3]  # a datagram may be lost: asked twice
        while (left_s := until_s - loop.time()) > 0:
            if again_s and loop.time() >= again_s[0]:
                again_s.pop(0)
                for question in questions():  # with new ids: a host drops what it has seen
                    transport.sendto(question, where)
            wait_s = min(left_s, max(0.0, again_s[0] - loop.time())) if again_s else left_s
            try:
                async with asyncio.timeout(max(0.01, wait_s)):
                    came = await answers.came.get()
            except TimeoutError:
                continue
            yield came
    finally:
        transport.close()


def _probes() -> list[bytes]:
    return [ws_discovery.probe(str(uuid.uuid4()), kind) for kind in ("", "dn:NetworkVideoTransmitter", "wsdp:Device")]


async def ws_discovery_probe(address: str, for_s: float = 3.0) -> AsyncIterator[tuple[bytes, str]]:
    """Answers to a Probe sent from one of our addresses: octets and sender. Late and doubled ones are included."""
    async for one in _ask(_probes, WS_DISCOVERY, address, for_s):
        yield one


async def mdns_query(address: str, for_s: float = 2.0) -> AsyncIterator[tuple[bytes, str]]:
    """Answers to a query for services, asked as a legacy querier (RFC 6762 section 6.7): octets and sender."""
    async for one in _ask(lambda: [mdns.query()], MDNS, address, for_s):
        yield one
