"""Before the page: places, handshakes, patience and pace, by real sockets on loopback."""

import asyncio
import contextlib
import resource
import socket
import ssl
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.show import porch, serve
from monitor.show.porch import ACTS, LOOKS, Pace, Room, greeted
from monitor.show.serve import Serving
from tests.descriptors import descriptors_left
from tests.show.certificate import serving_context, trusting_nothing

GET = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"
QUIET = Room(total=8, comings_s=1000.0, requests_s=1000.0)


async def echo(scope, receive, send) -> None:  # type: ignore[no-untyped-def]  # an ASGI application as small as they come
    """Answers with the path; whoever asks for /act or /look is known from then on; /long sends much."""
    from starlette.requests import Request

    request = Request(scope)
    if scope["path"] in ("/act", "/look"):
        greeted(request, scope["path"] == "/act")
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-type", b"text/plain")]})
    for _ in range(2000 if scope["path"] == "/long" else 0):
        await send({"type": "http.response.body", "body": b"x" * 65_536, "more_body": True})
    await send({"type": "http.response.body", "body": scope["path"].encode()})


@contextlib.asynccontextmanager
async def served(room: Room, tls: ssl.SSLContext | None = None) -> AsyncIterator[tuple[Serving, int]]:
    bound = socket.create_server(("127.0.0.1", 0))
    serving = Serving(echo, [bound], tls, room)
    await serving.start()
    try:
        yield serving, bound.getsockname()[1]
    finally:
        await serving.close()


Link = tuple[asyncio.StreamReader, asyncio.StreamWriter]


async def ask(link: Link, path: str = "/") -> bytes:
    reader, writer = link
    writer.write(GET.replace(b"GET /", f"GET {path}".encode()))
    return await asyncio.wait_for(reader.readuntil(b"0\r\n\r\n"), 5)


async def gone(link: Link) -> bool:
    with contextlib.suppress(ConnectionError):
        return await asyncio.wait_for(link[0].read(1), 5) == b""
    return True


async def test_the_oldest_stranger_makes_room_before_who_looks_and_who_acts_never_does() -> None:
    async with served(QUIET) as (serving, port):
        acting = [await asyncio.open_connection("127.0.0.1", port) for _ in range(3)]
        looking = await asyncio.open_connection("127.0.0.1", port)
        for one in acting:
            assert b"/act" in await ask(one, "/act")
        assert b"/look" in await ask(looking, "/look")
        strangers = [await asyncio.open_connection("127.0.0.1", port) for _ in range(50)]
        for one in strangers[:-4]:
            assert await gone(one)
        assert serving.guests == QUIET.total
        assert b"200" in await ask(strangers[-1])
        for one in (*acting, looking):
            assert b"200" in await ask(one, "/"), "whoever is known keeps their place"
        assert serving.turned_away["made room"] == 46


async def test_full_of_those_who_act_nobody_else_comes_in() -> None:
    async with served(replace(QUIET, total=3)) as (serving, port):
        acting = [await asyncio.open_connection("127.0.0.1", port) for _ in range(3)]
        for one in acting:
            assert b"/act" in await ask(one, "/act")
        assert await gone(await asyncio.open_connection("127.0.0.1", port))
        assert serving.turned_away["too many"] == 1


async def test_one_address_has_its_own_places_and_its_own_pace() -> None:
    room = replace(QUIET, total=50, each=4, comings_each_s=0.001)
    async with served(room) as (serving, port):
        from_one = [await asyncio.open_connection("127.0.0.1", port) for _ in range(20)]
        assert await gone(from_one[-1])
        assert serving.guests == 4
        assert serving.turned_away["too often from one address"] == 16
        other = await asyncio.open_connection("127.0.0.1", port, local_addr=("127.0.0.2", 0))
        assert b"200" in await ask(other)


async def test_a_handshake_that_does_not_come_ends_and_others_do_not_wait_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(porch, "HANDSHAKE_S", 0.5)
    async with served(QUIET, serving_context(tmp_path)) as (serving, port):
        idle = [await asyncio.open_connection("127.0.0.1", port) for _ in range(5)]
        link = await asyncio.open_connection("127.0.0.1", port, ssl=trusting_nothing())
        assert b"200" in await ask(link)
        for one in idle:
            assert await gone(one)
        assert serving.guests == 1
        assert serving.turned_away["no handshake"] == 5
        idle = [await asyncio.open_connection("127.0.0.1", port) for _ in range(40)]
        assert b"200" in await ask(await asyncio.open_connection("127.0.0.1", port, ssl=trusting_nothing()))
        assert serving.guests <= QUIET.total


@pytest.mark.parametrize("begun", [b"", b"GET / HTTP/1.1\r\nHost: loc", GET + b"GET / HT"])
async def test_a_request_that_does_not_end_is_not_waited_for(begun: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve, "_REQUEST_S", 0.6)
    async with served(QUIET) as (serving, port):
        _, writer = link = await asyncio.open_connection("127.0.0.1", port)
        began_s = asyncio.get_running_loop().time()
        writer.write(begun)
        for _ in range(40):  # one octet now and then is no request either
            await asyncio.sleep(0.05)
            if begun and not writer.is_closing():
                writer.write(b"x")
            if not serving.guests:
                break
        assert serving.guests == 0
        assert asyncio.get_running_loop().time() - began_s < 1.5
        writer.close()
        del link


async def test_a_body_that_does_not_end_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve, "_BODY_S", 0.4)
    async with served(QUIET) as (serving, port):
        _, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 900\r\n\r\nxy")
        await asyncio.sleep(0.2)
        assert serving.guests == 1
        await asyncio.sleep(0.5)
        assert serving.guests == 0


async def test_an_answer_that_nobody_takes_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve, "_ANSWER_S", 0.4)
    async with served(QUIET) as (serving, port):
        with socket.create_connection(("127.0.0.1", port)) as one:
            one.sendall(GET.replace(b"GET /", b"GET /long"))
            await asyncio.sleep(1.2)
            assert serving.guests == 0


async def test_a_flood_of_requests_is_answered_at_its_pace_and_the_loop_stays_free() -> None:
    room = replace(QUIET, requests_s=50.0)
    async with served(room) as (_, port):
        loop = asyncio.get_running_loop()
        _, writer = await asyncio.open_connection("127.0.0.1", port)
        began_s = loop.time()
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(GET * 100)
        for _ in range(100):
            await asyncio.wait_for(reader.readuntil(b"0\r\n\r\n"), 5)
        assert loop.time() - began_s > 0.9, "50 at once, then 50 a second"


async def test_without_a_descriptor_it_rests_and_says_so_now_and_then(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """accept(2) gives EMFILE, and the socket stays readable: who tries again at once does nothing else any more."""
    monkeypatch.setattr(porch, "_REST_S", 0.3)
    async with served(QUIET) as (serving, port):
        with contextlib.closing(socket.socket()) as waits, descriptors_left(0):
            waits.connect(("127.0.0.1", port))
            await asyncio.sleep(1.0)
            said = [record for record in caplog.records if "takes nobody" in record.message]
            assert 2 <= len(said) <= 5
            assert serving.guests == 0
            resource.setrlimit(resource.RLIMIT_NOFILE, (1024, resource.getrlimit(resource.RLIMIT_NOFILE)[1]))
            waits.sendall(GET)
            await asyncio.sleep(0.6)
            assert b"200" in waits.recv(4096)


async def test_small_answers_leave_at_once() -> None:
    """TCP_NODELAY: else an answer in two pieces waits for a delayed acknowledgement (RFC 1122 section 4.2.3.4)."""
    async with served(QUIET) as (_, port):
        link = await asyncio.open_connection("127.0.0.1", port)
        took: list[float] = []
        for _ in range(20):
            began_s = asyncio.get_running_loop().time()
            await ask(link)
            took.append(asyncio.get_running_loop().time() - began_s)
        assert sorted(took)[10] < 0.03


def test_pace_over_time() -> None:
    pace = Pace(10.0, 5.0, 0.0)
    waited = [pace.wait_s(i * 0.01) for i in range(100)]
    assert waited[:5] == [0.0] * 5
    assert waited[-1] == pytest.approx((95 - 0.99 * 10) / 10, abs=0.02)
    assert (LOOKS, ACTS) == (1, 2)
