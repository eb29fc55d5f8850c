"""The line is let go whatever the library does: cancellations that it keeps to itself, and peers that say nothing."""

import asyncio
import socket
import struct
import time
from collections.abc import Iterator

import pytest

from monitor.centre.keys import new_seed
from monitor.centre.line import CLOSE_S, CONNECT_S, Line, LineDown, Router


@pytest.fixture
def dumb() -> Iterator[str]:
    """The URL of one who takes a connection and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield f"nats://127.0.0.1:{server.getsockname()[1]}"


class Library:
    """As nats-py is at its worst."""

    def __init__(self) -> None:
        self.answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        self.is_connected, self.asked = True, asyncio.Event()

    async def request(self, subject: str, octets: bytes, timeout_s: float) -> bytes:
        self.asked.set()
        return await asyncio.wait_for(self.answer, timeout_s)

    async def close(self) -> None:
        while True:
            try:
                await asyncio.Event().wait()
            except asyncio.CancelledError:
                if self.is_connected:
                    self.is_connected = False
                    continue
                raise


def a_line(url: str = "nats://127.0.0.1:1") -> Line:
    return Line(Router(url, new_seed(), "_INBOX.x"))


async def test_who_is_cancelled_when_the_answer_comes_is_cancelled() -> None:
    """``asyncio.wait_for`` of Python 3.11 gives the answer instead, and whoever ends the daemon waits for ever."""
    line, library = a_line(), Library()
    line._client = library
    task = asyncio.create_task(line.request("farpole.x.alive", b"", 5))
    await library.asked.wait()
    library.answer.set_result(b"yes")
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_a_request_that_the_library_gives_up_cancels_nobody() -> None:
    line, library = a_line(), Library()
    line._client = library
    asyncio.get_running_loop().call_later(0.1, library.answer.cancel)
    with pytest.raises(LineDown, match="no answer"):
        await line.request("farpole.x.alive", b"", 5)


async def test_a_line_that_is_cut_is_told_before_the_answer_is_due() -> None:
    line, library = a_line(), Library()
    line._client = library
    began_s = time.monotonic()
    asyncio.get_running_loop().call_later(0.2, setattr, library, "is_connected", False)
    with pytest.raises(LineDown, match="the line was cut"):
        await line.request("farpole.x.alive", b"", 20)
    assert time.monotonic() - began_s < 2
    await line.down()


async def test_a_library_that_will_not_close_is_left() -> None:
    line, library = a_line(), Library()
    line._client, line._begun = library, True
    began_s = time.monotonic()
    await line.close()
    assert time.monotonic() - began_s < CLOSE_S + 1


async def test_a_router_that_says_nothing_is_left(dumb: str) -> None:
    line, began_s = a_line(dumb), time.monotonic()
    with pytest.raises(LineDown, match=r"no answer|empty|timed out|timeout"):
        await line.open()
    assert time.monotonic() - began_s < CONNECT_S + CLOSE_S + 1


async def test_where_nobody_listens_it_is_said() -> None:
    began_s = time.monotonic()
    with pytest.raises(LineDown, match=r"(?i)refused|connect call failed"):
        await a_line().open()
    assert time.monotonic() - began_s < CONNECT_S


async def test_one_that_was_never_opened_is_closed() -> None:
    await a_line().close()


async def test_a_router_that_hangs_up_without_a_word_is_told_with_what_that_may_mean() -> None:
    """As nats-server does where its refusal is overtaken by the reset of the connection."""

    async def refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b'INFO {"server_id":"x","version":"2.9.0","max_payload":1048576,"auth_required":true}\r\n')
        await reader.readline()
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        writer.close()

    server = await asyncio.start_server(refuse, "127.0.0.1", 0)
    line = a_line(f"nats://127.0.0.1:{server.sockets[0].getsockname()[1]}")
    with pytest.raises(LineDown, match=r"hung up.*has ended, or does not know this credential"):
        await line.open()
    server.close()
