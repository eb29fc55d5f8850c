"""A small HTTP receiver on loopback that takes the demo's callouts: what a person's phone would show."""

import asyncio
import json
from collections.abc import Callable

_MOST_BYTES = 64 * 1024


class Receiver:
    """Takes JSON POSTs and hands title and message on."""

    def __init__(self, took: Callable[[str, str], None]) -> None:
        self._took = took
        self.line_up: Callable[[], bool] = lambda: True
        """Is the farm's internet there? Where it is not, nothing arrives here and nothing is answered."""
        self._server: asyncio.Server | None = None
        self.port = 0

    async def open(self) -> None:
        """Listen on a free port of 127.0.0.1."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = int(self._server.sockets[0].getsockname()[1])

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if not self.line_up():
            writer.close()
            return
        try:
            head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").lower()
            length = next(
                (int(line.split(":")[1]) for line in head.splitlines() if line.startswith("content-length:")), 0
            )
            body = json.loads(await reader.readexactly(min(length, _MOST_BYTES)))
            self._took(str(body.get("title", "")), str(body.get("message", "")))
            writer.write(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n")
            await writer.drain()
        except (asyncio.IncompleteReadError, asyncio.LimitOverrunError, ValueError, ConnectionError):
            writer.write(b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n")
        finally:
            writer.close()

    def close(self) -> None:
        """Stop listening."""
        if self._server is not None:
            self._server.close()
