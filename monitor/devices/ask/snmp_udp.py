"""One UDP socket per address family for all agents: datagrams in and out, and ports that the kernel says are closed."""

import asyncio
import socket
from collections.abc import Callable

from monitor.devices.ask.snmp import SILENCE, Outcome, Why, outcome_of

Peer = tuple[str, int] | tuple[str, int, int, int]

_RECEIVE_OCTETS = 4 << 20
"""Wished for; the kernel gives what net.core.rmem_max allows, which is enough for some 90 answers at once."""
_AT_ONCE = 64
_MOST_DATAGRAM = 65_535
# Linux's numbers (linux/in.h, linux/in6.h, linux/socket.h); Python names only some of them.
_IP_RECVERR, _IPV6_RECVERR, _MSG_ERRQUEUE = 11, 25, 0x2000


class Socket:
    """A datagram socket in the event loop.

    What is sent while answers are read goes out together when they are read: the kernel then wakes the other
    side once, which halves the cost of a burst.
    """

    def __init__(
        self,
        family: socket.AddressFamily,
        received: Callable[[bytes, Peer], None],
        failed: Callable[[Peer, Outcome, str, Why], None],
        under_way: Callable[[], int],
    ) -> None:
        self._received, self._failed, self._under_way = received, failed, under_way
        self._loop = asyncio.get_running_loop()
        self._reading = False
        self._waiting: list[tuple[bytes, Peer]] = []
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_OCTETS)
        if family == socket.AF_INET:
            self._socket.setsockopt(socket.IPPROTO_IP, _IP_RECVERR, 1)
        else:
            self._socket.setsockopt(socket.IPPROTO_IPV6, _IPV6_RECVERR, 1)
        self._socket.bind(("", 0))
        self._loop.add_reader(self._socket.fileno(), self._readable)

    def send(self, data: bytes, peer: Peer) -> None:
        """Send a datagram; where the kernel cannot, ``failed`` hears of it."""
        if self._reading:
            self._waiting.append((data, peer))
        else:
            self._send(data, peer)

    def _send(self, data: bytes, peer: Peer) -> None:
        for _ in range(3):
            try:
                self._socket.sendto(data, peer)
            except ConnectionRefusedError:
                self._drain_errors()  # an earlier datagram's error, told to this call
            except OSError as error:
                self._failed(peer, outcome_of(error), f"could not be asked: {error.strerror or error}"[:200], Why.OTHER)
                return
            else:
                return

    def _readable(self) -> None:
        receive, received = self._socket.recvfrom, self._received
        self._reading = True
        try:
            for _ in range(min(self._under_way() or 1, _AT_ONCE)):  # no more than can have come: asking costs
                try:
                    data, peer = receive(_MOST_DATAGRAM)
                except BlockingIOError:
                    break
                except OSError:
                    self._drain_errors()
                    continue
                received(data, peer)
        finally:
            self._reading = False
        waiting, self._waiting = self._waiting, []
        for data, peer in waiting:
            self._send(data, peer)

    def _drain_errors(self) -> None:
        """Tell which peers' ports are closed: the error queue names the address that each error is about."""
        for _ in range(_AT_ONCE):
            try:
                _, _, _, peer = self._socket.recvmsg(64, 512, _MSG_ERRQUEUE)
            except OSError:
                return
            if peer:
                self._failed(peer, Outcome.SILENT, SILENCE[Why.PORT_CLOSED], Why.PORT_CLOSED)

    def close(self) -> None:
        """Leave the loop and give the socket back."""
        self._loop.remove_reader(self._socket.fileno())
        self._socket.close()
