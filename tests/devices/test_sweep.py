"""The helper's request: a fixed grammar, and nothing beyond it."""

import asyncio
import json
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.devices.ask import helper
from monitor.devices.ask.sweep import BadRequest, read_request


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
