"""A camera's clock over real HTTP on loopback: as it should be, refused, malformed, cut short, hanging."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable

import pytest

from monitor.devices.ask import http
from monitor.devices.decode import onvif
from monitor.devices.decode.raw import Absent, Garbled
from tests.devices.test_rtsp import FAULT, SOAP

Start = Callable[[bytes], Awaitable[int]]
KIND = "application/soap+xml; charset=utf-8"


@pytest.fixture
async def start(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Start]:
    monkeypatch.setattr(http, "_TIMEOUT_S", 1.0)
    servers: list[asyncio.Server] = []
    asked: list[bytes] = []

    async def serve_with(answer: bytes) -> int:
        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            head = await reader.readuntil(b"\r\n\r\n")
            asked.append(head)
            assert head.startswith(b"POST /onvif/device_service HTTP/1.1")
            await reader.readexactly(len(onvif.QUESTION))  # a socket closed with octets unread is reset, answer and all
            if answer == b"hang":
                await asyncio.sleep(30)
            writer.write(answer)
            await writer.drain()
            writer.close()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        servers.append(server)
        return int(server.sockets[0].getsockname()[1])

    yield serve_with
    for server in servers:
        server.close()


def answer(status: str, body: bytes, more: str = "") -> bytes:
    return f"HTTP/1.1 {status}\r\nContent-Length: {len(body)}\r\n{more}\r\n".encode() + body


async def ask(port: int) -> float:
    _, body = await http.post("127.0.0.1", port, onvif.PATH, onvif.QUESTION, KIND)
    return onvif.clock_s(body)


async def test_a_right_answer_plain_and_in_chunks(start: Start) -> None:
    body = SOAP.format(7).encode()
    assert await ask(await start(answer("200 OK", body))) == 1_795_597_507.0
    half = len(body) // 2
    chunks = b"".join(b"%x\r\n%s\r\n" % (len(part), part) for part in (body[:half], body[half:], b""))
    chunked = b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n" + chunks
    assert await ask(await start(chunked)) == 1_795_597_507.0


async def test_a_refusal_is_absent(start: Start) -> None:
    with pytest.raises(Absent, match="not authorised"):
        await ask(await start(answer("400 Bad Request", FAULT.encode())))


@pytest.mark.parametrize("body", [b"", b"<html>log in</html", SOAP.format("61x").encode(), b"\x00" * 70_000])
async def test_a_malformed_answer_is_garbled(start: Start, body: bytes) -> None:
    with pytest.raises(Garbled):
        await ask(await start(answer("200 OK", body)))


@pytest.mark.parametrize("said", [b"", b"hang", b"nonsense\r\n\r\n"])
async def test_no_answer_is_no_answer(start: Start, said: bytes) -> None:
    with pytest.raises(http.NoAnswer):
        await ask(await start(said))


async def test_an_answer_that_is_cut_short_is_garbled(start: Start) -> None:
    with pytest.raises(Garbled):
        await ask(await start(b"HTTP/1.1 200 OK\r\nContent-Length: 500\r\n\r\nshort"))


async def test_a_closed_port_is_no_answer() -> None:
    with pytest.raises(http.NoAnswer):
        await ask(9)
