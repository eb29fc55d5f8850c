"""Streams of a real RTSP server in a namespace: rates against the kernel's own counters, loss, refusals; and one that
hangs in each layer."""

import asyncio
import json
import subprocess
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from monitor.devices.ask.rtsp import Stream, look
from monitor.devices.decode.rtp import LAYERS
from tests.conftest import need_peers

pytestmark = pytest.mark.peer

HERE, THERE = "farpole-watch", "farpole-camera"
OURS, THEIRS = "198.18.8.1", "198.18.8.21"
CAMERA = Path(__file__).parent / "gst_camera.py"
LOSS = """
table netdev lossy {
    chain in {
        type filter hook ingress device eth0 priority 0;
        udp sport != 554 numgen random mod 100 < 5 drop
    }
}
"""
SYSTEM_PYTHON = "/usr/bin/python3"


def sh(*words: str, text: str | None = None) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True, input=text).stdout


def has_gstreamer() -> bool:
    words = [SYSTEM_PYTHON, "-c", "import gi; gi.require_version('GstRtspServer', '1.0')"]
    try:
        return subprocess.run(words, check=False, capture_output=True).returncode == 0
    except OSError:
        return False


@dataclass
class Net:
    running: list[subprocess.Popen[str]] = field(default_factory=list)

    def camera(self, *more: str) -> None:
        words = ["ip", "netns", "exec", THERE, SYSTEM_PYTHON, str(CAMERA), THEIRS, "554", *more]
        started = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        self.running.append(started)
        assert started.stdout is not None
        assert started.stdout.readline() == "ready\n"

    def look(self, over: str = "tcp", for_s: float = 4.0, login: str = "", path: str = "/main") -> dict[str, Any]:
        """Look from inside the namespace; with the octets that the kernel counted meanwhile."""
        user, _, password = login.partition(":")
        words = f"""
import asyncio, json
from dataclasses import asdict
from monitor.devices.ask.rtsp import Stream, look
seen = asyncio.run(look(Stream("{THEIRS}", 554, "{path}", "{user}", "{password}"), {for_s}, "{over}"))
print(json.dumps(asdict(seen), default=str))
"""
        before = self.counted()
        given = ["ip", "netns", "exec", HERE, sys.executable, "-c", words]
        seen = dict(json.loads(subprocess.run(given, check=True, capture_output=True, text=True).stdout))
        after = self.counted()
        return {**seen, "kernel_octets": after[0] - before[0], "kernel_packets": after[1] - before[1]}

    def counted(self) -> tuple[int, int]:
        said = json.loads(sh("ip", "-n", HERE, "-s", "-j", "link", "show", "eth0"))[0]["stats64"]["rx"]
        return int(said["bytes"]), int(said["packets"])


@pytest.fixture
def net() -> Iterator[Net]:
    need_peers("ip", "nft", root=True)
    if not has_gstreamer():
        need_peers("gst-rtsp-server (apt: gir1.2-gst-rtsp-server-1.0)")
    made = Net()
    try:
        for name in (HERE, THERE):
            sh("ip", "netns", "add", name)
            sh("ip", "-n", name, "link", "set", "lo", "up")
        sh("ip", "link", "add", "eth0", "netns", HERE, "type", "veth", "peer", "name", "eth0", "netns", THERE)
        for name, address in ((HERE, OURS), (THERE, THEIRS)):
            sh("ip", "-n", name, "link", "set", "eth0", "up")
            sh("ip", "-n", name, "addr", "add", f"{address}/24", "dev", "eth0")
        yield made
    finally:
        for process in made.running:
            process.terminate()
        for process in made.running:
            process.wait(10)
        for name in (HERE, THERE):
            subprocess.run(["ip", "netns", "del", name], check=False, capture_output=True)


@pytest.mark.parametrize("over", ["tcp", "udp"])
def test_rate_and_frames_against_the_kernels_counters(net: Net, over: str) -> None:
    net.camera("--login", "cam:secret")
    seen = net.look(over, login="cam:secret")
    assert (seen["layer"], seen["broken"]) == ("media", ""), seen
    # Ethernet, IP and UDP (14 + 20 + 8) or TCP with timestamps (14 + 20 + 32) on each packet; RTSP itself is some 3 kB.
    headers = seen["kernel_packets"] * (42 if over == "udp" else 66)
    kilobits_per_s = (seen["kernel_octets"] - headers - 3000) * 8 / 1000 / 4.0
    assert seen["kilobits_per_s"] == pytest.approx(kilobits_per_s, rel=0.05)
    assert seen["frames_per_s"] == pytest.approx(15, abs=1.5)
    assert seen["lost_percent"] == 0


def test_loss_is_seen_over_udp(net: Net) -> None:
    net.camera()
    sh("ip", "netns", "exec", HERE, "nft", "-f", "-", text=LOSS)
    seen = net.look("udp", 6.0)
    assert 2.0 < seen["lost_percent"] < 9.0, seen


@pytest.mark.parametrize("picture", ["frozen", "dark"])
def test_a_picture_that_does_not_move_shows_in_its_rate(net: Net, picture: str) -> None:
    net.camera("--picture", picture)
    seen = net.look()
    assert seen["broken"] == ""
    assert seen["kilobits_per_s"] < 300  # a fifth of the 1,500 that it is set to
    assert seen["frames_per_s"] > 10


@pytest.mark.parametrize(
    ("more", "over", "login", "path", "layer"),
    [
        (["--login", "cam:secret"], "tcp", "cam:wrong", "/main", "login"),
        (["--login", "cam:secret"], "tcp", "", "/main", "login"),
        ([], "tcp", "", "/nothing", "description"),
        (["--no", "udp"], "udp", "", "/main", "setup"),
        (["--no", "tcp"], "tcp", "", "/main", "setup"),
    ],
)
def test_what_is_refused_is_told_by_its_layer(
    net: Net, more: list[str], over: str, login: str, path: str, layer: str
) -> None:
    net.camera(*more)
    seen = net.look(over, 2.0, login, path)
    assert seen["layer"] == layer, seen
    assert seen["broken"]


Serve = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]
SDP = b"v=0\r\nm=video 0 RTP/AVP 96\r\na=control:track\r\n"


def hangs_at(layer: str) -> Serve:
    """A camera that works up to a layer and hangs there."""
    works = {"OPTIONS": "rtsp", "DESCRIBE": "description", "SETUP": "setup", "PLAY": "play"}

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while head := await reader.readuntil(b"\r\n\r\n"):
            method = head.split(b" ")[0].decode()
            number = next(line.split(b":")[1] for line in head.split(b"\r\n") if line.startswith(b"CSeq"))
            if LAYERS.index(works.get(method, "media")) >= LAYERS.index(layer) and layer != "media":
                await asyncio.sleep(60)
            body = SDP if method == "DESCRIBE" else b""
            said = b"RTSP/1.0 200 OK\r\nCSeq:%s\r\nSession: 1\r\nContent-Length: %d\r\n\r\n" % (number, len(body))
            writer.write(said + body)
            await writer.drain()

    return serve


@pytest.fixture
async def port_of(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Callable[[Serve], Awaitable[int]]]:
    monkeypatch.setattr("monitor.devices.ask.rtsp._TIMEOUT_S", 0.5)
    servers: list[asyncio.Server] = []

    async def start(serve: Serve) -> int:
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        servers.append(server)
        return int(server.sockets[0].getsockname()[1])

    yield start
    for server in servers:
        server.close()


@pytest.mark.parametrize("layer", ["rtsp", "description", "setup", "play", "media"])
async def test_a_camera_that_hangs_is_told_right_in_each_layer(
    port_of: Callable[[Serve], Awaitable[int]], layer: str
) -> None:
    port = await port_of(hangs_at(layer))
    seen = await look(Stream("127.0.0.1", port, "/main"), 1.0)
    assert seen.layer == layer, seen
    assert seen.broken


async def test_a_closed_port_and_a_server_of_something_else(port_of: Callable[[Serve], Awaitable[int]]) -> None:
    async def web(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        writer.close()

    port = await port_of(web)
    assert (await look(Stream("127.0.0.1", port, "/"), 1.0)).layer == "rtsp"
    assert (await look(Stream("127.0.0.1", 9, "/"), 1.0)).layer == "tcp"


async def test_a_stream_is_bounded_in_octets(port_of: Callable[[Serve], Awaitable[int]]) -> None:
    from tests.devices.test_rtsp import packet

    async def floods(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while head := await reader.readuntil(b"\r\n\r\n"):
            number = next(line.split(b":")[1] for line in head.split(b"\r\n") if line.startswith(b"CSeq"))
            body = SDP if head.startswith(b"DESCRIBE") else b""
            writer.write(b"RTSP/1.0 200 OK\r\nCSeq:%s\r\nContent-Length: %d\r\n\r\n" % (number, len(body)) + body)
            if head.startswith(b"PLAY"):
                for i in range(100_000):
                    media = packet(i, size=1000)
                    writer.write(b"$\x00" + len(media).to_bytes(2, "big") + media)
                    await writer.drain()

    seen = await look(Stream("127.0.0.1", await port_of(floods), "/"), 30.0, most_octets=200_000)
    assert seen.broken == ""
    assert seen.octets < 1_000_000
