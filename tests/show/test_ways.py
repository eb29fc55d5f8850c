"""Who is at the box: the command socket's own server says so, and nothing that a client does or leaves out.

A connection that its client has reset (RFC 9293 section 3.5.2) has no peer address any more; what it had sent before is
still read. Whoever takes a missing address for the command socket lets everybody in who resets.
"""

import asyncio
import contextlib
import json
import socket
import ssl
import struct
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest

from monitor.daemon.clock import HandClock
from monitor.daemon.desk import Desk
from monitor.show.door import Door, Person
from monitor.show.entrance import Entrance
from monitor.show.serve import Serving
from monitor.show.ways import By, Way
from monitor.show.web import application
from tests.show.certificate import serving_context, trusting_nothing
from tests.show.test_picture import silence
from tests.show.test_web import Told, memory, told

__all__ = ["memory", "told"]

TRIES = 200
RESET = struct.pack("ii", 1, 0)
"""SO_LINGER with no time: close() sends RST instead of FIN (socket(7))."""


def owned() -> Door:
    return Door({"jo": Person("operator", "nobody's hash")}, {})


@contextlib.asynccontextmanager
async def page(told: Told, entrance: Entrance, tls: ssl.SSLContext | None) -> AsyncIterator[int]:
    desk = Desk(HandClock(), "1")
    desk.opened(told)  # type: ignore[arg-type]  # stands in for the rounds
    bound = socket.create_server(("127.0.0.1", 0))
    serving = Serving(By(application(desk, "1", entrance), Way.PAGE), [bound], tls)
    await serving.start()
    try:
        yield bound.getsockname()[1]
    finally:
        await serving.close()


def send_and_reset(port: int, request: bytes, tls: bool) -> None:
    """Send a request, and reset the connection before it can be answered."""
    with socket.create_connection(("127.0.0.1", port), 5) as plain:
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
        plain.sendall(behind_a_handshake(plain, request) if tls else request)


def behind_a_handshake(plain: socket.socket, request: bytes) -> bytes:
    """The end of a TLS handshake and a request, to leave together: the reset is there before they are read."""
    came, leaving = ssl.MemoryBIO(), ssl.MemoryBIO()
    one = trusting_nothing().wrap_bio(came, leaving)
    while True:
        try:
            one.do_handshake()
            break
        except ssl.SSLWantReadError:
            plain.sendall(leaving.read())
            came.write(plain.recv(65_536))
    one.write(request)
    return leaving.read()


@pytest.mark.parametrize("over", ["plain", "TLS", "proxy"])
async def test_a_client_that_resets_its_connection_is_not_at_the_box(told: Told, tmp_path: Path, over: str) -> None:
    silence(told.memory, "creek")
    entrance = Entrance(owned(), lambda: 0.0, network=True, proxy="127.0.0.9" if over == "proxy" else "")
    body = json.dumps({"resource": "creek", "type": "pole-silent", "operator": "ack", "who": "nobody"}).encode()
    head = ["POST /api/act HTTP/1.1", "Host: localhost", "Content-Type: application/json"]
    head += [f"Content-Length: {len(body)}", "X-Forwarded-Proto: https", "X-Forwarded-For: 127.0.0.9", "", ""]
    request = "\r\n".join(head).encode() + body
    tls = serving_context(tmp_path) if over == "TLS" else None
    async with page(told, entrance, tls) as port:
        for _ in range(TRIES):
            with contextlib.suppress(OSError):
                await asyncio.to_thread(send_and_reset, port, request, over == "TLS")
        await asyncio.sleep(0.2)
    assert told.changes == []


async def test_what_comes_by_no_known_way_is_refused(told: Told) -> None:
    desk = Desk(HandClock(), "1")
    desk.opened(told)  # type: ignore[arg-type]  # stands in for the rounds
    app = application(desk, "1", Entrance(Door({}, {}), lambda: 0.0))
    for way, client, status in ((None, ("127.0.0.1", 1), 403), (Way.PAGE, None, 403), (Way.COMMAND, None, 200)):
        transport = httpx.ASGITransport(By(app, way) if way else app, client=client)  # type: ignore[arg-type]  # None: a peer that has gone
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as asking:
            assert (await asking.get("/api/picture")).status_code == status, (way, client)
