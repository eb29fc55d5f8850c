"""Event streams: shared, bounded, and nobody who acts is shut out by those who look."""

import asyncio
import contextlib
import http.client
from collections.abc import AsyncIterator
from urllib.parse import urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.show.door import Visitor
from monitor.show.streams import AGAIN_MS, GIVES_WAY, Streams
from tests.show.test_door import PASSWORD, cheap
from tests.show.test_raw import Served, network, told

__all__ = ["cheap", "network", "told"]

HELLO = "event: hello\ndata: farpole\n\n"
OWNER = Visitor("jo", "operator", "t")


class Changes:
    """Something that changes when it is told to, and how many listen to it."""

    def __init__(self) -> None:
        self.words: asyncio.Queue[str] = asyncio.Queue()
        self.listening = self.most = 0

    async def __call__(self) -> AsyncIterator[str]:
        self.listening += 1
        self.most = max(self.most, self.listening)
        try:
            while word := await self.words.get():
                yield word
        finally:
            self.listening -= 1


async def opened(streams: Streams, visitor: Visitor) -> AsyncIterator[str]:
    stream = streams.stream(visitor)
    assert await anext(stream) == HELLO
    return stream


async def closed(stream: AsyncIterator[str]) -> None:
    await stream.aclose()  # type: ignore[attr-defined]  # an async generator


async def test_all_hear_of_a_change_by_one_reader() -> None:
    changes = Changes()
    streams = Streams(changes)
    several = [await opened(streams, OWNER) for _ in range(5)]
    changes.words.put_nowait("change")
    assert [await anext(one) for one in several] == ["event: change\ndata: \n\n"] * 5
    changes.words.put_nowait("still here")
    assert await anext(several[0]) == "event: still-here\ndata: \n\n"
    assert (changes.listening, changes.most) == (1, 1)
    for one in several:
        await closed(one)
    await asyncio.sleep(0)
    assert (len(streams), changes.listening) == (0, 0), "nobody is left, so nobody reads"
    again = await opened(streams, OWNER)
    changes.words.put_nowait("change")
    assert "change" in await anext(again)
    await closed(again)


async def test_when_the_site_closes_all_streams_end() -> None:
    changes = Changes()
    streams = Streams(changes)
    stream = await opened(streams, OWNER)
    changes.words.put_nowait("")
    with pytest.raises(StopAsyncIteration):
        await anext(stream)


async def test_of_too_many_of_one_person_the_oldest_gives_way_for_a_while() -> None:
    """ "retry" sets the reconnection time in milliseconds: HTML Living Standard, 9.2.6."""
    streams = Streams(Changes(), most_of_one=3)
    several = [await opened(streams, OWNER) for _ in range(4)]
    assert await anext(several[0]) == GIVES_WAY == f"retry: {AGAIN_MS}\n\n"
    with pytest.raises(StopAsyncIteration):
        await anext(several[0])
    assert len(streams) == 3
    for one in several:
        await closed(one)


@given(st.lists(st.tuples(st.integers(0, 9), st.booleans()), max_size=60), st.integers(1, 12), st.integers(1, 5))
def test_whoever_acts_keeps_a_stream_whatever_others_open(
    others: list[tuple[int, bool]], most: int, most_of_one: int
) -> None:
    async def live() -> None:
        streams = Streams(Changes(), most, most_of_one)
        own = await opened(streams, OWNER)
        several = []
        for number, leaves in others:
            several.append(await opened(streams, Visitor(f"viewer {number}", "viewer", "t")))
            if leaves:
                await closed(several.pop(0))
            assert len(streams) <= most
            names = [one.name for one in streams._open]
            assert "jo" in names
            assert all(names.count(name) <= most_of_one for name in names)
        for one in (own, *several):
            await closed(one)
        assert len(streams) == 0

    asyncio.run(live())


def test_199_viewers_do_not_shut_the_owner_out(network: Served) -> None:
    """On real sockets: as many streams as one who may look can open, and then the owner's log-in, page and stream."""
    connections = contextlib.ExitStack()

    def get(path: str, cookie: str) -> http.client.HTTPResponse:
        one = connections.enter_context(contextlib.closing(http.client.HTTPConnection("127.0.0.1", network.port)))
        one.request("GET", path, headers={"Cookie": cookie})
        return one.getresponse()

    def entered(name: str) -> str:
        one = connections.enter_context(contextlib.closing(http.client.HTTPConnection("127.0.0.1", network.port)))
        form = urlencode({"name": name, "password": PASSWORD})
        one.request("POST", "/enter", form, {"Content-Type": "application/x-www-form-urlencoded"})
        answer = one.getresponse()
        assert answer.status == 303
        one.close()
        return (answer.getheader("set-cookie") or "").partition(";")[0]

    with connections:
        viewer = entered("vi")
        for _ in range(199):
            get("/events", viewer)
        owner = entered("jo")
        assert get("/", owner).status == 200
        stream = get("/events", owner)
        assert (stream.status, stream.readline()) == (200, b"event: hello\n")
