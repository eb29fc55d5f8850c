"""One small HTTP POST, bounded in time and size: h11 takes the answer apart, one deadline holds for all of it."""

import asyncio

import h11

from monitor.devices.ask.own import CouldNotAsk, is_ours
from monitor.facts.printable import one_line

_TIMEOUT_S = 4.0
"""For the whole: connection, question, and the last octet of the answer."""
_MOST_OCTETS = 65_537
_MOST_HEAD = 16_384


class NoAnswer(OSError):
    """Nothing that could be read came back; the message says what happened, in one printable line."""

    def __init__(self, why: str) -> None:
        super().__init__(one_line(why, 200))


async def post(address: str, port: int, path: str, body: bytes, kind: str) -> tuple[int, bytes]:
    """Status and body of the answer, cut where the device hung up; raises NoAnswer and CouldNotAsk.

    A redirection is not followed.
    """
    try:
        async with asyncio.timeout(_TIMEOUT_S):
            reader, writer = await asyncio.open_connection(address, port)
            try:
                return await _exchange(reader, writer, _request(address, port, path, body, kind), body)
            finally:
                writer.transport.abort()  # a device that takes nothing more must not keep the socket
    except TimeoutError:
        raise NoAnswer(f"no whole answer within {_TIMEOUT_S:g} s") from None
    except OSError as error:
        if is_ours(error):
            raise CouldNotAsk(error.errno, error.strerror) from None
        raise NoAnswer(str(error) or type(error).__name__) from None
    except h11.RemoteProtocolError as error:
        raise NoAnswer(f"no HTTP answer: {error}") from None


def _request(address: str, port: int, path: str, body: bytes, kind: str) -> h11.Request:
    host = f"[{address}]" if ":" in address else address
    headers = {"Host": f"{host}:{port}", "Content-Type": kind, "Content-Length": str(len(body)), "Connection": "close"}
    return h11.Request(method="POST", target=path, headers=list(headers.items()))


async def _exchange(
    reader: asyncio.StreamReader, writer: asyncio.StreamWriter, request: h11.Request, body: bytes
) -> tuple[int, bytes]:
    talk = h11.Connection(h11.CLIENT, max_incomplete_event_size=_MOST_HEAD)
    for part in (request, h11.Data(body), h11.EndOfMessage()):
        writer.write(talk.send(part) or b"")
    await writer.drain()
    status, came = 0, bytearray()
    while len(came) < _MOST_OCTETS:
        event = talk.next_event()
        if event is h11.NEED_DATA:
            data = await reader.read(_MOST_OCTETS)
            if status and not data:
                break  # cut short, or framed by the end of the connection: what came is for its reader to judge
            talk.receive_data(data)
        elif isinstance(event, h11.Response):
            status = event.status_code
        elif isinstance(event, h11.Data):
            came += event.data
        elif not isinstance(event, h11.InformationalResponse):
            break
    return status, bytes(came[:_MOST_OCTETS])
