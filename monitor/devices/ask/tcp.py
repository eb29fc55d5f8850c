"""Does a TCP service answer? Opening the connection is all; nothing is sent."""

import asyncio
from enum import Enum


class Tcp(Enum):
    """How opening a connection came out; a refusal is an answer of the device."""

    OPEN = "open"
    REFUSED = "refused"
    SILENT = "silent"


async def connect(address: str, port: int, timeout_s: float = 2.0) -> Tcp:
    """Open and close a connection to ``address``:``port``."""
    try:
        async with asyncio.timeout(timeout_s):
            _, writer = await asyncio.open_connection(address, port)
    except ConnectionRefusedError:
        return Tcp.REFUSED
    except (TimeoutError, OSError):
        return Tcp.SILENT
    writer.transport.abort()
    return Tcp.OPEN
