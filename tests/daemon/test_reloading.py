"""A plan that is read anew keeps no round waiting, and a hundred requests are one or two."""

import asyncio
import os
import signal
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, cast

import pytest

from monitor.daemon.run import Daemon, Settings
from monitor.plan.text import NotRight, Problem

TAKES_S = 0.6


class Ticking:
    """A schedule that only looks how late it is."""

    def __init__(self) -> None:
        self.worst_s = 0.0

    async def run(self) -> None:
        while True:
            before_s = time.monotonic()
            await asyncio.sleep(0.01)
            self.worst_s = max(self.worst_s, time.monotonic() - before_s - 0.01)


@pytest.fixture
async def season(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[tuple[list[float], Ticking]]:
    """A daemon whose plan takes long to read and is not right; when it was read, and how rounds fared."""
    daemon, ticking, reads = Daemon(Settings(tmp_path / "plan.yaml", tmp_path, None)), Ticking(), list[float]()

    def read() -> Any:
        reads.append(time.monotonic())
        time.sleep(TAKES_S)
        raise NotRight([Problem(1, "site", "is missing", "plan.yaml")])

    monkeypatch.setattr(daemon, "read", read)
    daemon._signals()
    running = asyncio.create_task(daemon._season(cast("Any", ticking), cast("Any", None), {}, cast("Any", None)))
    await asyncio.sleep(0.05)
    yield reads, ticking
    daemon.stopping.set()
    await running
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        asyncio.get_running_loop().remove_signal_handler(number)


async def test_a_hundred_requests_are_at_most_two(season: tuple[list[float], Ticking]) -> None:
    reads, _ = season
    for _ in range(100):
        os.kill(os.getpid(), signal.SIGHUP)
        await asyncio.sleep(0.01)
    await asyncio.sleep(3 * TAKES_S + 1.5)
    assert 1 <= len(reads) <= 2
    os.kill(os.getpid(), signal.SIGHUP)
    before = len(reads)
    await asyncio.sleep(TAKES_S + 1.5)
    assert len(reads) == before + 1, "one that comes later counts"


async def test_rounds_go_on_while_the_plan_is_read(season: tuple[list[float], Ticking]) -> None:
    reads, ticking = season
    os.kill(os.getpid(), signal.SIGHUP)
    await asyncio.sleep(TAKES_S + 1.5)
    assert reads
    assert ticking.worst_s < TAKES_S / 2
