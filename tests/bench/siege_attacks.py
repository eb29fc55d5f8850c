"""Attackers on a page, each a process of its own: python -m tests.bench.siege_attacks KIND PORT SECONDS

Bounded in count and time, to 127.0.0.1 only, from several addresses of 127/8. One JSON line at the end: what was tried.
"""

import asyncio
import contextlib
import json
import random
import resource
import socket
import sys
import time
from collections import Counter
from collections.abc import Awaitable, Callable

from tests.show.certificate import trusting_nothing
from tests.show.test_ways import RESET, behind_a_handshake

IDLE, SLOW, FLOODERS = 1006, 300, 20
SENT = json.dumps({"resource": "creek", "type": "pole-silent", "operator": "ack", "who": "nobody"}).encode()
POST = (
    b"POST /api/act HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n"
    % len(SENT)
    + SENT
)
LOGIN = b"name=jo&password=wrong&to=/"
ENTER = (
    b"POST /enter HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\n"
    b"Content-Length: %d\r\n\r\n" % len(LOGIN) + LOGIN
)


class Attack:
    """What goes against one port, until its time is over."""

    def __init__(self, port: int, seconds: float) -> None:
        self.port, self.ends_s, self.tried = port, time.monotonic() + seconds, Counter[str]()

    @property
    def on(self) -> bool:
        return time.monotonic() < self.ends_s

    def place(self) -> tuple[str, int]:
        """One of many addresses to come from."""
        return f"127.0.0.{random.randrange(2, 250)}", 0

    async def tls(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter] | None:
        try:
            async with asyncio.timeout(5):
                link = await asyncio.open_connection(
                    "127.0.0.1", self.port, ssl=trusting_nothing(), local_addr=self.place()
                )
        except (OSError, TimeoutError):
            self.tried["refused"] += 1
            return None
        self.tried["opened"] += 1
        return link

    async def resets(self) -> None:
        """A request and a reset behind it, as fast as it goes."""

        def one() -> None:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 5) as plain:
                plain.settimeout(5)
                plain.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
                plain.sendall(behind_a_handshake(plain, POST))
                self.tried["sent"] += 1

        while self.on:
            await asyncio.to_thread(one)

    async def idle(self) -> None:
        """Connections that say nothing after TLS, held, and opened anew where they were closed."""

        async def hold() -> None:
            while self.on:
                link = await self.tls()
                if link is not None:
                    with contextlib.suppress(TimeoutError, OSError):
                        async with asyncio.timeout(max(0.1, self.ends_s - time.monotonic())):
                            await link[0].read()
                    link[1].transport.abort()
                await asyncio.sleep(0.5)

        await asyncio.gather(*(hold() for _ in range(IDLE)))

    async def bare(self) -> None:
        """Connections that do not even begin with TLS."""
        held: list[socket.socket] = []
        while self.on:
            with contextlib.suppress(OSError):
                held.append(socket.create_connection(("127.0.0.1", self.port), 1, self.place()))
                self.tried["opened"] += 1
            if len(held) > IDLE:
                held.pop(0).close()
            await asyncio.sleep(0.002)
        for one in held:
            one.close()

    async def slow(self) -> None:
        """Requests that come one octet a second and never end."""

        async def drip() -> None:
            while self.on:
                link = await self.tls()
                if link is None:
                    await asyncio.sleep(0.5)
                    continue
                with contextlib.suppress(OSError):
                    link[1].write(b"GET / HTTP/1.1\r\nHost: localhost\r\nX: ")
                    while self.on and not link[1].is_closing():
                        link[1].write(b"x")
                        await link[1].drain()
                        await asyncio.sleep(1)
                link[1].transport.abort()

        await asyncio.gather(*(drip() for _ in range(SLOW)))

    async def flood(self, request: bytes = b"GET /enter HTTP/1.1\r\nHost: localhost\r\n\r\n") -> None:
        """Whole requests as fast as answers come, and faster."""

        async def pour() -> None:
            while self.on:
                link = await self.tls()
                if link is None:
                    await asyncio.sleep(0.2)
                    continue
                with contextlib.suppress(OSError, TimeoutError, asyncio.IncompleteReadError):
                    while self.on:
                        link[1].write(request * 20)
                        async with asyncio.timeout(3):
                            await link[0].readuntil(b"HTTP/1.1")
                        self.tried["answered"] += 1
                link[1].transport.abort()

        await asyncio.gather(*(pour() for _ in range(FLOODERS)))

    async def passwords(self) -> None:
        """Wrong passwords for a name that is known, from many addresses."""
        await self.flood(ENTER)


async def run(kind: str, port: int, seconds: float) -> dict[str, object]:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, max(soft, 8192)), hard))
    attack = Attack(port, seconds)
    kinds: dict[str, Callable[[], Awaitable[None]]] = {
        "resets": attack.resets,
        "idle": attack.idle,
        "bare": attack.bare,
        "slow": attack.slow,
        "flood": attack.flood,
        "passwords": attack.passwords,
    }
    await kinds[kind]()
    return {"attack": kind, **attack.tried}


if __name__ == "__main__":
    print(json.dumps(asyncio.run(run(sys.argv[1], int(sys.argv[2]), float(sys.argv[3])))))
