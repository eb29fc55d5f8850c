"""Does a TCP service answer? Opening the connection is all; nothing is sent."""

import asyncio
import socket
from enum import Enum

from monitor.devices.ask.own import is_ours


class Tcp(Enum):
    """How opening a connection came out; a refusal is an answer of the device."""

    OPEN = "open"
    REFUSED = "refused"
    SILENT = "silent"
    UNASKED = "unasked"
    """This machine had no socket to ask with."""


async def connect(address: str, port: int, timeout_s: float = 2.0) -> Tcp:
    """Open and close a connection to ``address``:``port``."""
    # A bare socket: a stream with its buffers, for a connection that says nothing, costs half as much again.
    try:
        bare = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET)
    except OSError as error:
        return Tcp.UNASKED if is_ours(error) else Tcp.SILENT
    with bare:
        bare.setblocking(False)
        try:
            async with asyncio.timeout(timeout_s):
                await asyncio.get_running_loop().sock_connect(bare, (address, port))
        except ConnectionRefusedError:
            return Tcp.REFUSED
        except (TimeoutError, OSError) as error:
            return Tcp.UNASKED if is_ours(error) else Tcp.SILENT
    return Tcp.OPEN
