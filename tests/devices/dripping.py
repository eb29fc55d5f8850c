"""Devices that hold a connection without ever coming to an end: what they do to one question, told by name."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

Serve = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]
DRIP_S = 0.2
"""Between two octets: shorter than any time-out of a single read."""


async def _drip(writer: asyncio.StreamWriter, endless: bytes) -> None:
    while not writer.is_closing():
        for octet in endless:
            writer.write(bytes((octet,)))
            await writer.drain()
            await asyncio.sleep(DRIP_S)


async def _pour(writer: asyncio.StreamWriter, endless: bytes) -> None:
    while not writer.is_closing():
        writer.write(endless)
        await writer.drain()


def http(how: str) -> Serve:
    """An HTTP server: drips headers, drips the body, never answers, has a header line without end, or pours headers."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        if how == "drips headers":
            await _drip(writer, b"HTTP/1.1 200 OK\r\n" + b"X-More: and more\r\n" * 1000)
        elif how == "drips its body":
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 60000\r\n\r\n")
            await _drip(writer, b"x")
        elif how == "never ends a header line":
            writer.write(b"HTTP/1.1 200 OK\r\nX-Line: ")
            await _pour(writer, b"x" * 1000)
        elif how == "never ends its headers":
            writer.write(b"HTTP/1.1 200 OK\r\n")
            await _pour(writer, b"X-More: and more\r\n" * 50)
        elif how == "says for ever that it goes on":
            await _pour(writer, b"HTTP/1.1 100 Continue\r\n\r\n")
        else:
            await asyncio.sleep(3600)

    return serve


HTTP = (
    "drips headers",
    "drips its body",
    "never ends a header line",
    "never ends its headers",
    "says for ever that it goes on",
    "never answers",
)


def rtsp(how: str) -> Serve:
    """An RTSP server: drips its answer, floods media in place of one, has a line without end, or never answers."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        if how == "drips headers":
            await _drip(writer, b"RTSP/1.0 200 OK\r\n" + b"X-More: and more\r\n" * 1000)
        elif how == "drips its body":
            writer.write(b"RTSP/1.0 200 OK\r\nCSeq: 1\r\nContent-Length: 60000\r\n\r\n")
            await _drip(writer, b"x")
        elif how == "never ends a header line":
            writer.write(b"RTSP/1.0 200 OK\r\nX-Line: ")
            await _pour(writer, b"x" * 1000)
        elif how == "floods frames":
            await _pour(writer, (b"$\x05\x03\xe8" + bytes(1000)) * 60)
        elif how == "answers other questions":
            await _pour(writer, b"RTSP/1.0 200 OK\r\nCSeq: 77\r\n\r\n" * 100)
        else:
            await asyncio.sleep(3600)

    return serve


RTSP = (
    "drips headers",
    "drips its body",
    "never ends a header line",
    "floods frames",
    "answers other questions",
    "never answers",
)


@asynccontextmanager
async def served(serve: Serve, address: str = "127.0.0.1") -> AsyncIterator[int]:
    """Serve on loopback while the block runs; the port. All connections are cut at its end."""
    under_way: set[asyncio.Task[None]] = set()

    async def one(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        under_way.add(task)
        try:
            await serve(reader, writer)
        except (ConnectionError, asyncio.IncompleteReadError, asyncio.CancelledError):
            return  # hung up on, or the block has ended: asyncio would log the latter as a failure of the server
        finally:
            under_way.discard(task)
            writer.close()

    server = await asyncio.start_server(one, address, 0)
    try:
        yield int(server.sockets[0].getsockname()[1])
    finally:
        server.close()
        for task in list(under_way):
            task.cancel()
        await asyncio.gather(*under_way, return_exceptions=True)
