"""The helper's request: a fixed grammar, and nothing beyond it."""

import asyncio
import ipaddress
import json
import socket
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.devices.ask import helper, sweep
from monitor.devices.ask.sweep import MOST_HOSTS, BadRequest, read_request
from tests.conftest import need_python_peers


def test_a_right_request() -> None:
    request = read_request('{"interface": "eth0", "networks": ["10.20.0.0/30"], "listen_s": 5}')
    assert request.hosts == ["10.20.0.1", "10.20.0.2"]
    assert request.packets_per_s == 2000


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "cannot be read"),
        ("[]", "fields are"),
        ('{"networks": []}', "cannot be read"),
        ('{"interface": "eth0; rm -rf /", "networks": []}', "no name"),
        ('{"interface": "eth0", "networks": ["8.8.8.0/24"]}', "private"),
        ('{"interface": "eth0", "networks": ["10.0.0.0/8"]}', "more than"),
        ('{"interface": "eth0", "networks": [], "listen_s": 1e9}', "listen_s"),
        ('{"interface": "eth0", "networks": [], "packets_per_s": 100000}', "packets_per_s"),
        ('{"interface": "eth0", "networks": [], "filter": "tcp"}', "fields are"),
    ],
)
def test_anything_else_is_refused(text: str, why: str) -> None:
    with pytest.raises(BadRequest, match=why):
        read_request(text)


def test_the_process_refuses_in_its_own_words() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.devices.ask.sweep"],
        input="nonsense\n",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert json.loads(done.stdout)["kind"] == "error"


def test_only_one_file_knows_scapy() -> None:
    from tests.house.test_house import ROOT

    users = [file.name for file in (ROOT / "monitor").rglob("*.py") if "scapy" in file.read_text().split('"""', 2)[-1]]
    assert set(users) <= {"sweep.py", "helper.py"}


async def test_the_helper_is_asked_through_its_socket(tmp_path: Path) -> None:
    """As systemd starts it: one connection, one request, answers line by line."""
    asked: list[str] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        asked.append((await reader.readline()).decode())
        lines = [{"kind": "arp", "address": "10.20.1.11", "mac": "02:00:00:00:00:01"}, {"kind": "done", "sent": 4}]
        writer.write("".join(json.dumps(line) + "\n" for line in lines).encode())
        await writer.drain()
        writer.close()

    path = tmp_path / "sweep.sock"
    server = await asyncio.start_unix_server(serve, str(path))
    found = [one async for one in helper.sweep("eth0", ["10.20.0.0/22"], 1.0, path)]
    server.close()
    assert [one["address"] for one in found] == ["10.20.1.11"]
    assert read_request(asked[0]).networks


async def test_a_helper_that_refuses_or_ends_early_is_said(tmp_path: Path) -> None:
    answers = [b'{"kind": "error", "why": "no such device"}\n', b""]

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(answers.pop(0))
        await writer.drain()
        writer.close()

    path = tmp_path / "sweep.sock"
    server = await asyncio.start_unix_server(serve, str(path))
    for words in ("no such device", "ended early"):
        with pytest.raises(helper.NoHelper, match=words):
            _ = [one async for one in helper.sweep("eth0", [], 1.0, path)]
    server.close()


@given(st.text(max_size=300))
def test_any_text_is_a_request_or_a_refusal(text: str) -> None:
    """Whoever reaches the socket may write anything: it is read, or refused in the helper's own words."""
    with suppress(BadRequest):
        assert read_request(text).interface


FIELDS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=20),
    st.lists(st.one_of(st.text(max_size=20), st.integers(), st.booleans(), st.just("10.0.0.0/29")), max_size=4),
)


@given(st.dictionaries(st.sampled_from(["interface", "networks", "listen_s", "packets_per_s"]), FIELDS))
def test_any_fields_are_a_request_within_its_limits_or_a_refusal(fields: dict[str, object]) -> None:
    try:
        request = read_request(json.dumps(fields))
    except BadRequest:
        return
    assert len(request.hosts) <= MOST_HOSTS
    assert 0 <= request.listen_s <= 120
    assert 1 <= request.packets_per_s <= 2000
    assert all(one.subnet_of(ipaddress.IPv4Network("10.0.0.0/8")) for one in request.networks)


@pytest.mark.parametrize(
    "sent",
    [
        b"[" * 9_999 + b"\n",
        b"\xff\xfe{}\n",
        b'{"interface": "eth0", "packets_per_s": Infinity}\n',
        b'{"interface": "eth0", "listen_s": 1' + b"0" * 400 + b"}\n",
        b'{"interface": "eth0", "listen_s": NaN}\n',
        b'{"interface": "eth0", "networks": [' + b'"10.0.0.1/32",' * 100_000,
        b"",
    ],
)
def test_octets_that_no_request_has_are_refused_in_one_line(sent: bytes) -> None:
    done = subprocess.run([sys.executable, "-m", "monitor.devices.ask.sweep"], input=sent, capture_output=True)
    assert done.stderr == b""
    assert done.returncode == 2
    assert json.loads(done.stdout)["kind"] == "error"


@pytest.mark.parametrize(
    "network",
    ["0.0.0.0/24", "127.0.0.0/24", "192.0.2.0/24", "240.0.0.0/24", "255.255.255.255/32", "100.64.0.0/24"],
)
def test_networks_that_are_no_farm_s_are_refused(network: str) -> None:
    """RFC 1918 section 3 names private networks, RFC 3927 the link's own; other special ones are nobody's."""
    with pytest.raises(BadRequest, match="private"):
        read_request(json.dumps({"interface": "eth0", "networks": [network]}))


@pytest.mark.parametrize("network", [True, 167772160, None, ["10.0.0.0/30"]])
def test_a_network_is_text(network: object) -> None:
    with pytest.raises(BadRequest):
        read_request(json.dumps({"interface": "eth0", "networks": [network]}))


class Wire:
    """A raw socket: counts what is sent, and gives what a liar on the wire says."""

    def __init__(self, says: Sequence[bytes]) -> None:
        self.sent, self._said, self._says = 0, 0, says
        self.ins, self.outs = self, self
        self._ours, theirs = socket.socketpair()
        theirs.send(b"always something to read")
        self._kept = theirs

    def fileno(self) -> int:
        return self._ours.fileno()

    def send(self, frame: bytes) -> None:
        self.sent += 1

    def recv(self, most: int) -> bytes:
        self._said += 1
        return self._says[self._said % len(self._says)]

    def close(self) -> None:
        self._ours.close()
        self._kept.close()


def answer(address: str, mac: int) -> bytes:
    """An ARP answer (RFC 826) in an Ethernet frame."""
    head = bytes(12) + b"\x08\x06" + b"\x00\x01\x08\x00\x06\x04" + b"\x00\x02"
    return head + mac.to_bytes(6, "big") + ipaddress.IPv4Address(address).packed + bytes(10)


def swept(monkeypatch: pytest.MonkeyPatch, says: Sequence[bytes], networks: list[str]) -> list[dict[str, object]]:
    need_python_peers("scapy")
    import scapy.arch
    from scapy.config import conf

    monkeypatch.setattr(conf, "L2socket", lambda **_: Wire(says))
    monkeypatch.setattr(scapy.arch, "get_if_addr", lambda _: "10.0.0.1")
    monkeypatch.setattr(scapy.arch, "get_if_hwaddr", lambda _: "02:00:00:00:00:01")
    monkeypatch.setattr(sweep, "_ANSWER_S", 0.05)
    return list(sweep.sweep(read_request(json.dumps({"interface": "eth0", "networks": networks}))))


def test_no_more_than_four_packets_for_each_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where networks overlap, and are asked for many times."""
    found = swept(monkeypatch, [bytes(60)], ["10.0.0.0/28", "10.0.0.0/29", "10.0.0.0/28"])
    assert found[-1] == {"kind": "done", "sent": 4 * 13}


def test_who_answers_for_everybody_under_new_addresses_fills_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """A liar on the wire: it costs some lines, and those who are asked for are found beside it."""
    lies = [answer(f"172.16.{i >> 8 & 255}.{i & 255}", i) for i in range(9_000)]
    lies += [answer("10.0.0.2", i) for i in range(9_000)] + [answer("10.0.0.3", 7)]
    found = swept(monkeypatch, lies, ["10.0.0.0/24"])
    said = [one["address"] for one in found if one["kind"] == "arp"]
    assert "10.0.0.3" in said
    assert said.count("10.0.0.2") <= 8
    assert len(said) <= 1_000 + 8 * 254


@pytest.mark.parametrize("line", [b"nonsense\n", b"[]\n", b"[" * 3000 + b"\n", b"\xff\n"])
async def test_a_helper_that_answers_nonsense_is_said(tmp_path: Path, line: bytes) -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(line)
        await writer.drain()
        writer.close()

    path = tmp_path / "sweep.sock"
    server = await asyncio.start_unix_server(serve, str(path))
    with pytest.raises(helper.NoHelper, match="not as it should be"):
        _ = [one async for one in helper.sweep("eth0", [], 1.0, path)]
    server.close()
