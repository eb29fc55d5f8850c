"""The daemon's own state: each trouble is an alarm that clears; systemd and the address outside are told."""

import asyncio
import http.server
import socket
import threading
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.daemon.systemd import notify, watchdog_s
from monitor.daemon.watching import LATE_ROUNDS, Watching


class Outside(http.server.BaseHTTPRequestHandler):
    """Counts what comes; answers with ``status``."""

    came: list[str] = []
    status = 200

    def do_GET(self) -> None:
        Outside.came.append(self.path)
        self.send_response(Outside.status)
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing."""


@pytest.fixture
def outside() -> Iterator[str]:
    server = http.server.HTTPServer(("127.0.0.1", 0), Outside)
    Outside.came, Outside.status = [], 200
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}/secret-word"
    server.shutdown()
    thread.join()
    server.server_close()


class Box:
    def __init__(self, design: Design, folder: Path, url: str | None = None) -> None:
        self.clock, self.late = HandClock(), 0
        self.keeper = Keeper(folder / "history.sqlite", self.clock)
        asking = cast(Asking, SimpleNamespace(unasked=Counter()))
        self.rounds = Rounds(Memory(design), asking, self.keeper, self.clock, lambda: None)
        self.watching = Watching(self.rounds, self.clock, folder, lambda: self.late, url)

    @property
    def standing(self) -> set[str]:
        return {alarm.key.type for alarm in self.rounds.memory.book.raised()}


async def test_a_clock_that_nobody_keeps_and_rounds_that_come_late(design: Design, tmp_path: Path) -> None:
    box = Box(design, tmp_path)
    await box.keeper.open()
    await box.watching.look()
    assert box.standing == set()
    box.clock.trust = False
    for _ in range(3):
        box.late += LATE_ROUNDS + 1
        await box.watching.look()
    assert box.standing == {"clock-doubted", "rounds-late"}
    box.clock.trust = True
    for _ in range(3):
        await box.watching.look()
    assert box.standing == set()
    await box.keeper.close()


async def test_a_disk_that_is_nearly_full(design: Design, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    box = Box(design, tmp_path)
    await box.keeper.open()
    monkeypatch.setattr("shutil.disk_usage", lambda _: (64 << 30, 64 << 30, 100 << 20))
    monkeypatch.setattr("shutil.disk_usage", lambda _: type("U", (), {"total": 64 << 30, "free": 100 << 20})())
    for _ in range(3):
        await box.watching.look()
    alarm = next(iter(box.rounds.memory.book.raised()))
    assert alarm.key.type == "disk-nearly-full"
    assert "100 MiB of 65536 are free" in alarm.text
    await box.keeper.close()


async def test_the_sign_of_life_goes_out_and_its_loss_is_an_alarm_without_its_address(
    design: Design, tmp_path: Path, outside: str
) -> None:
    box = Box(design, tmp_path, outside)
    await box.keeper.open()
    await box.watching.tell()
    assert Outside.came == ["/secret-word"]
    assert box.standing == set()
    Outside.status = 404
    await box.watching.tell()
    await box.watching.tell()
    assert box.standing == {"sign-of-life-lost"}
    text = box.rounds.memory.book.raised()[0].text
    assert "404" in text
    assert "secret-word" not in text
    Outside.status = 200
    await box.watching.tell()
    assert box.standing == set()
    nobody = Box(design, tmp_path / "other", "http://127.0.0.1:9/secret-word")
    (tmp_path / "other").mkdir()
    await nobody.keeper.open()
    for _ in range(2):
        await nobody.watching.tell()
    assert "secret-word" not in nobody.rounds.memory.book.raised()[0].text
    await asyncio.gather(box.keeper.close(), nobody.keeper.close())


def test_systemd_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """sd_notify(3): newline-separated assignments in one datagram; WATCHDOG_USEC asks for a sign in half its time."""
    assert notify("READY=1") is False
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        assert notify("WATCHDOG=1") is True
        assert listening.recv(100) == b"WATCHDOG=1"
    monkeypatch.setenv("WATCHDOG_USEC", "60000000")
    assert watchdog_s() == 30.0
    monkeypatch.setenv("WATCHDOG_PID", "1")
    assert watchdog_s() is None
