"""Any exchange with a device ends by one deadline for the whole, whatever the device does; over real sockets."""

import asyncio
import socket
from collections.abc import Awaitable
from pathlib import Path

import pytest

from monitor.devices.ask import helper, http, modbus, rtsp, snmp_round, sweep
from monitor.devices.ask.snmp import Agent, Answer, Community, Outcome, Pdu, walk
from monitor.devices.ask.snmp_fast import FastAsker
from monitor.devices.decode.raw import Table
from tests.devices import dripping
from tests.devices.dripping import served
from tests.devices.fake import TableAgent

LEEWAY_S = 1.0
"""For a machine that is busy with something else."""
_UPTIME = Pdu("get", ((1, 3, 6, 1, 2, 1, 1, 3, 0),))


async def ended_after(act: Awaitable[object], within_s: float) -> float:
    """How long something takes [s]; fails where it has not ended in time, without waiting for its thread."""
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    task = asyncio.ensure_future(act)
    await asyncio.wait([task], timeout=within_s)
    assert task.done(), f"it has not ended after {within_s:g} s"
    task.exception()
    return loop.time() - began_s


@pytest.fixture(autouse=True)
def no_thread_waits_for_a_device(monkeypatch: pytest.MonkeyPatch) -> None:
    """The loop's own pool has few threads, which cannot be ended: one that hangs is one less for everybody else."""

    def refused(*_: object) -> None:
        raise AssertionError("a thread was to wait for a device")

    monkeypatch.setattr(asyncio.base_events.BaseEventLoop, "run_in_executor", refused)


@pytest.mark.parametrize("how", dripping.HTTP)
async def test_http_ends_by_its_deadline(how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http, "_TIMEOUT_S", 1.0)
    async with served(dripping.http(how)) as port:
        asked = http.post("127.0.0.1", port, "/onvif/device_service", b"question", "text/plain")
        with pytest.raises(http.NoAnswer):
            await asyncio.wait_for(asked, 1.0 + LEEWAY_S)


async def test_http_ends_with_a_device_that_takes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The connection is made by the kernel; nobody accepts it."""
    monkeypatch.setattr(http, "_TIMEOUT_S", 1.0)
    with socket.create_server(("127.0.0.1", 0), backlog=1) as bare:
        asked = http.post("127.0.0.1", bare.getsockname()[1], "/", bytes(5_000_000), "text/plain")
        with pytest.raises(http.NoAnswer):
            await asyncio.wait_for(asked, 1.0 + LEEWAY_S)


@pytest.mark.parametrize(
    ("answer", "status", "body"),
    [
        (b"HTTP/1.1 200 OK\r\nContent-Length: 4\r\n\r\nbody", 200, b"body"),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n2\r\nbo\r\n2\r\ndy\r\n0\r\n\r\n", 200, b"body"),
        (b"HTTP/1.0 200 OK\r\n\r\nbody", 200, b"body"),
        (b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 401 Unauthorized\r\nContent-Length: 0\r\n\r\n", 401, b""),
        (b"HTTP/1.1 302 Found\r\nLocation: http://198.18.0.1/\r\nContent-Length: 0\r\n\r\n", 302, b""),
    ],
)
async def test_http_reads_an_answer_however_it_is_framed(answer: bytes, status: int, body: bytes) -> None:
    """RFC 9112 section 6.3: by length, by chunks, or by the end of the connection."""
    asked: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        asked.append(await reader.readuntil(b"question"))
        writer.write(answer)
        await writer.drain()

    async with served(serve) as port:
        got = await http.post("127.0.0.1", port, "/path", b"question", "application/soap+xml")
    assert got == (status, body)
    head = asked[0].decode().lower()
    assert head.startswith("post /path http/1.1\r\n")
    assert f"host: 127.0.0.1:{port}\r\n" in head
    assert "content-length: 8\r\n" in head


async def test_http_takes_no_more_than_it_can_use() -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"question")
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 9000000\r\n\r\n")
        writer.write(bytes(9_000_000))
        await writer.drain()

    async with served(serve) as port:
        status, body = await http.post("127.0.0.1", port, "/", b"question", "text/plain")
    assert (status, len(body)) == (200, 65_537), "one octet more than is read, so that the reader can tell"


@pytest.mark.parametrize(
    "answer", [b"", b"SSH-2.0-x\r\n\r\n", b"HTTP/1.1 200 OK\r\nContent-Le", b"HTTP/1.1 2 OK\r\n\r\n"]
)
async def test_what_is_no_http_answer_is_none(answer: bytes) -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"question")
        writer.write(answer)
        await writer.drain()

    async with served(serve) as port:
        with pytest.raises(http.NoAnswer):
            await http.post("127.0.0.1", port, "/", b"question", "text/plain")


@pytest.mark.parametrize("how", dripping.RTSP)
async def test_rtsp_ends_by_its_deadline(how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rtsp, "_TIMEOUT_S", 1.0)
    async with served(dripping.rtsp(how)) as port:
        look = asyncio.ensure_future(rtsp.look(rtsp.Stream("127.0.0.1", port, "/main"), 0.0))
        # A flood answers OPTIONS and goes on in place of the description: two questions at the most.
        await ended_after(look, 2.0 + LEEWAY_S)
        assert look.result().broken
        assert look.result().octets < 20_000_000


async def test_rtsp_has_one_deadline_for_all_its_questions(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each answer comes just in time, each asks for a log-in once more; the whole is bounded all the same."""
    monkeypatch.setattr(rtsp, "_TIMEOUT_S", 1.0)
    monkeypatch.setattr(rtsp, "_WHOLE_S", 2.0, raising=False)

    async def slow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while head := await reader.readuntil(b"\r\n\r\n"):
            number = next(line.split(b":")[1] for line in head.split(b"\r\n") if line.startswith(b"CSeq"))
            await asyncio.sleep(0.8)
            body = b"v=0\r\nm=video 0 RTP/AVP 96\r\n" if head.startswith(b"DESCRIBE") else b""
            asks = b"" if b"Authorization" in head else b'WWW-Authenticate: Digest realm="r", nonce="n"\r\n'
            status = b"401 Unauthorized" if asks else b"200 OK"
            length = b"Content-Length: %d\r\n\r\n" % len(body)
            writer.write(b"RTSP/1.0 " + status + b"\r\nCSeq:" + number + b"\r\n" + asks + length + body)
            await writer.drain()

    async with served(slow) as port:
        look = asyncio.ensure_future(rtsp.look(rtsp.Stream("127.0.0.1", port, "/main", "cam", "secret"), 3.0))
        assert await ended_after(look, 2.0 + LEEWAY_S) > 1.5
        assert look.result().broken
        assert look.result().layer == "description", "it came that far"


def modbus_server(how: str) -> dripping.Serve:
    """A Modbus device: drips its answer, never answers, pours noise, or answers each question at the last moment."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while head := await reader.readexactly(7):
            asked = await reader.readexactly(int.from_bytes(head[4:6], "big") - 1)
            count = int.from_bytes(asked[3:5], "big")
            begins = count == 2 and asked[1:3] in (b"\x9c\x40", b"\0\0")
            words = b"SunS" if begins else (b"\0\x7b\0\2" * 64)[: 2 * count]
            body = bytes((head[6], asked[0], len(words))) + words
            answer = head[:4] + len(body).to_bytes(2, "big") + body
            if how == "drips":
                for octet in answer:
                    writer.write(bytes((octet,)))
                    await asyncio.sleep(dripping.DRIP_S)
            elif how == "pours noise":
                while not writer.is_closing():
                    writer.write(head[:2] + b"\0\0\0\xff" + bytes(1000))
                    await writer.drain()
            elif how == "always late":
                await asyncio.sleep(0.4)
                writer.write(answer)
            else:
                await asyncio.sleep(3600)

    return serve


@pytest.mark.parametrize("how", ["drips", "pours noise", "never answers", "always late"])
async def test_modbus_ends_by_its_deadline(how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A SunSpec device whose list of models never ends is read one answer after the other: up to sixty of them."""
    monkeypatch.setattr(modbus, "_TIMEOUT_S", 0.5)
    monkeypatch.setattr(modbus, "_WHOLE_S", 2.0, raising=False)
    async with served(modbus_server(how)) as port:
        bus = modbus.Bus("127.0.0.1", port)
        reading = asyncio.ensure_future(modbus.read_sunspec(bus, 1))
        await ended_after(reading, 2.0 + LEEWAY_S)
        assert isinstance(reading.exception(), modbus.NoAnswer)
        bus.close()


async def test_a_device_that_waits_for_the_line_loses_none_of_its_own_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two units behind one gateway: one is always late; the other's deadline counts its own answers alone."""
    monkeypatch.setattr(modbus, "_TIMEOUT_S", 0.5)
    monkeypatch.setattr(modbus, "_WHOLE_S", 1.0, raising=False)

    async def gateway(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while head := await reader.readexactly(7):
            asked = await reader.readexactly(int.from_bytes(head[4:6], "big") - 1)
            await asyncio.sleep(0.4 if head[6] == 1 else 0.01)
            count = int.from_bytes(asked[3:5], "big")
            body = bytes((head[6], asked[0], 2 * count)) + bytes(2 * count)
            writer.write(head[:4] + len(body).to_bytes(2, "big") + body)

    async def five(unit: int) -> int:
        patience = modbus.Patience()
        for _ in range(5):
            await bus.read(unit, "holding", 0, 2, patience)
        return unit

    async with served(gateway) as port:
        bus = modbus.Bus("127.0.0.1", port)
        late, quick = await asyncio.gather(five(1), five(2), return_exceptions=True)
        assert isinstance(late, modbus.NoAnswer)
        assert quick == 2
        bus.close()


async def test_a_helper_that_never_stops_speaking_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(helper, "_LONGEST_S", 1.0)

    async def chatters(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        try:
            while True:
                writer.write(b'{"kind": "arp", "address": "198.18.0.1", "mac": "00:00:5e:00:53:01"}\n' * 100)
                await writer.drain()
        except ConnectionError:
            gone.set()

    async def all_of_it() -> None:
        async for _ in helper.sweep("eth0", ["198.18.0.0/24"], 1.0, tmp_path / "sweep.sock"):
            pass

    gone = asyncio.Event()
    server = await asyncio.start_unix_server(chatters, tmp_path / "sweep.sock")
    sweeping = asyncio.ensure_future(all_of_it())
    await ended_after(sweeping, 1.0 + LEEWAY_S)
    assert isinstance(sweeping.exception(), helper.NoHelper)
    await asyncio.wait_for(gone.wait(), 2.0)
    server.close()


async def test_an_agent_s_address_is_read_without_a_thread() -> None:
    """Names are looked up by threads that may all hang; the plan has addresses, which need none."""
    asker = FastAsker()
    answer = await asker.ask(Agent("127.0.0.1", 9, Community("public"), 0.2, 0), _UPTIME)
    asker.close()
    assert answer.outcome is Outcome.SILENT


class SlowAgent(TableAgent):
    """Answers all that it is asked, each time only just before its answer would be given up."""

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        await asyncio.sleep(0.3)
        return await super().ask(agent, pdu)


AGENT = Agent("198.18.0.1", 161, Community("public"))
ROWS: Table = {(1, 3, 6, 1, 2, 1, 2, 2, 1, 8, i): i for i in range(1, 1000)}


async def test_a_walk_has_one_deadline_for_all_its_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    asker = SlowAgent(ROWS)
    walking = asyncio.ensure_future(walk(asker, AGENT, [(1, 3, 6, 1, 2, 1, 2, 2, 1, 8)], whole_s=1.0))
    await ended_after(walking, 1.0 + LEEWAY_S)
    assert walking.result().outcome is Outcome.SILENT, "half a table must not be taken for the whole"
    assert walking.result().objects, "what came is there to be looked at"
    assert "longer than 1 s" in walking.result().detail


async def test_a_round_has_one_deadline_and_keeps_what_came() -> None:
    oids = list(ROWS)
    planned = snmp_round.shape(oids, {}, most_octets=300)
    fetching = asyncio.ensure_future(snmp_round.fetch(SlowAgent(ROWS), AGENT, planned, whole_s=1.0))
    await ended_after(fetching, 1.0 + LEEWAY_S)
    came = fetching.result()
    assert came.outcome is Outcome.OK
    assert not came.cut, "its answers were whole: smaller ones would take longer still"
    assert 0 < sum(raw is not None for raw in came.values) < len(oids)


def test_a_sweep_ends_on_a_wire_that_is_never_quiet() -> None:
    class Wire:
        frames = 0

        def __init__(self) -> None:
            self.ours, theirs = socket.socketpair()
            theirs.send(b"always something to read")
            theirs.close()

        def fileno(self) -> int:
            return self.ours.fileno()

        def recv(self, most: int) -> bytes:
            self.frames += 1
            assert self.frames < 1_000_000, "it reads for ever"
            return bytes(12) + b"\x08\x00" + bytes(46)

    class Link:
        ins = Wire()

    assert list(sweep._take(Link(), 0.05, sweep._Heard(frozenset()))) == []
    Link.ins.ours.close()
