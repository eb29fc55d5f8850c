"""TCP listeners of the simulated loads: open, refusing, or dead to the world.

On loopback the kernel answers for every address, so a dead load is one whose listening socket drops what
comes: a socket filter that keeps nothing (Linux, SO_ATTACH_FILTER with one "return 0" instruction).
"""

import asyncio
import ctypes
import socket
import struct
from collections.abc import Awaitable, Callable

Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]
_ATTACH_FILTER, _DETACH_FILTER = 26, 27
_RETURN_NOTHING = struct.pack("HBBI", 0x06, 0, 0, 0)


class Service:
    """One listening address; ``answers(False)`` makes it dead, ``answers(True)`` brings it back."""

    def __init__(self, server: asyncio.Server, listening: socket.socket) -> None:
        self._server, self._listening, self._dead = server, listening, False

    @classmethod
    async def open(cls, address: str, port: int, serve: Handler | None = None) -> "Service":
        """Listen, and hang up or ``serve``; raises OSError where the address or port is taken."""
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((address, port))
            server = await asyncio.start_server(_until_cancelled(serve or _hang_up), sock=listening)
        except OSError:
            listening.close()
            raise
        return cls(server, listening)

    def answers(self, alive: bool) -> None:
        """Answer from now on, or drop everything that comes."""
        if alive is not self._dead:
            return
        self._dead = not alive
        if self._dead:
            instruction = ctypes.create_string_buffer(_RETURN_NOTHING)
            program = struct.pack("HP", 1, ctypes.addressof(instruction))
            self._listening.setsockopt(socket.SOL_SOCKET, _ATTACH_FILTER, program)
        else:
            self._listening.setsockopt(socket.SOL_SOCKET, _DETACH_FILTER, 0)

    def close(self) -> None:
        """Stop listening."""
        self._server.close()


def _until_cancelled(serve: Handler) -> Handler:
    async def quietly(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await serve(reader, writer)
        except asyncio.CancelledError:
            writer.close()  # the site is closed; asyncio would report the end of its own task as an error

    return quietly


async def _hang_up(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.close()
