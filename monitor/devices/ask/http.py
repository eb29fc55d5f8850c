"""One small HTTP POST, bounded in time and size, by the standard library."""

import asyncio
import http.client
import socket

from monitor.facts.printable import one_line

_TIMEOUT_S = 4.0
_MOST_OCTETS = 65_537


class NoAnswer(OSError):
    """Nothing that could be read came back; the message says what happened, in one printable line."""

    def __init__(self, why: str) -> None:
        super().__init__(one_line(why, 200))


async def post(address: str, port: int, path: str, body: bytes, kind: str) -> tuple[int, bytes]:
    """Status and body of the answer; raises NoAnswer. A redirection is not followed."""
    return await asyncio.to_thread(_post, address, port, path, body, kind)


def _post(address: str, port: int, path: str, body: bytes, kind: str) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection(address, port, timeout=_TIMEOUT_S)
    try:
        connection.request("POST", path, body, {"Content-Type": kind, "Connection": "close"})
        answer = connection.getresponse()
        return answer.status, answer.read(_MOST_OCTETS)
    except (OSError, http.client.HTTPException, socket.gaierror) as error:
        raise NoAnswer(str(error) or type(error).__name__) from None
    finally:
        connection.close()
