"""What the daemon takes of a box: python -m tests.bench.endure [--poles 12] [--minutes 5] [--speed 1] [--at 08:15]

A simulated site in processes of its own, the daemon in another, its pages open. One JSON line: resident memory, share
of one core, descriptors, late rounds, megabytes of history; ``memory_mb_a_day`` is the slope over the second half, by
days of rounds: with ``--speed 60`` each minute is an hour for the site, the daemon and its history. What does not go
faster is the network: a device has the same second to answer, and three seconds of a camera's pictures are three
seconds. Every process is this file again, with a faster clock.
"""

import argparse
import asyncio
import json
import os
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx

from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import BOOT_S, lay_out, open_site
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.lock import HISTORY
from monitor.daemon.logs import log_to_stderr
from monitor.daemon.page import Page, page_of
from monitor.daemon.run import Daemon, Settings
from monitor.history.store import Store
from monitor.plan.parts import Plan
from monitor.simulation.campaign import widened
from monitor.simulation.live import LiveSite
from monitor.simulation.world import World
from tests.peers.test_page import free_port

TICKS_PER_S = 100
FASTER = "FARPOLE_BENCH_FASTER"
PARTS = 3
"""Processes that share the simulated site."""
WORD = "bench-word"
SHORTEST_S = 0.01
"""The clock's tick would come 300 times a second at 60 times the speed."""


class FastClock(SystemClock):
    """The machine's clocks, so many times as fast from the moment on at which they showed ``began_s``."""

    def __init__(self, speed: float, wall_s: float, monotonic_s: float) -> None:
        self.speed, self._wall_s, self._monotonic_s = speed, wall_s, monotonic_s

    def _since_s(self) -> float:
        return (time.monotonic() - self._monotonic_s) * self.speed

    def wall_s(self) -> float:
        return self._wall_s + self._since_s()

    def monotonic_s(self) -> float:
        return self._monotonic_s + self._since_s()

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(max(seconds / self.speed, SHORTEST_S) if self.speed > 1 else seconds)


def cpu_s(pid: int) -> float:
    """User and system time of a process [s]: fields 14 and 15 of proc(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


def rss_mb(pid: int) -> float:
    """Resident memory [MB]."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("VmRSS:"))) * 1024 / 1e6


def descriptors(pid: int) -> int:
    """Open files and sockets."""
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


async def look(address: str, stop: asyncio.Event) -> None:
    """Somebody has the pages open: the site follows its events, and a pole's page is loaded now and then."""
    async with httpx.AsyncClient(base_url=address, timeout=30) as client:
        while not stop.is_set():
            for path in ("/", "/pole/creek?range=week", "/alarms"):
                (await client.get(path)).raise_for_status()
            await asyncio.sleep(5)


async def measured(poles: int, minutes: float, speed: float, pages: bool, wall_s: float) -> dict[str, Any]:
    """Run it, and sample the daemon each two seconds."""
    plan, _ = load_plan(shipped() / "tarrow-downs.yaml")
    plan = widened(plan, poles) if poles > len(plan.poles) else plan
    moment = (speed, wall_s, time.monotonic())
    # Three seconds of pictures are three seconds: streams are looked at as often as in real time.
    paces = {"stream_s": min(plan.rounds.stream_s * speed, 86_400.0)}
    site = await open_site(plan, WORD, 1, wall_s, paces)
    site.close()  # its plan, with ports that are free, is what is wanted of it
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "site.json").write_text(site.plan.model_dump_json(by_alias=True, exclude_none=True), encoding="utf-8")
        parts = [await started("--site", str(folder / "site.json"), str(i), moment=moment) for i in range(PARTS)]
        settings = lay_out(folder, site.plan, WORD, 9, Page(port=free_port()))
        settings.data.mkdir(exist_ok=True)
        with Store(settings.data / HISTORY):  # what is measured is a start like any but the first
            pass
        figures = await watched(settings, moment, minutes, pages, 15 + poles / 4)
        history = sum(file.stat().st_size for file in settings.data.glob("history.sqlite*"))
    for part in parts:
        part.kill()
        await part.wait()
    return {"poles": poles, "minutes": minutes, "speed": speed, **told(*figures, speed, history)}


async def started(*words: str, moment: tuple[float, ...]) -> asyncio.subprocess.Process:
    """This file again, by the faster clock."""
    command = [sys.executable, "-m", "tests.bench.endure", *words]
    faster = {**os.environ, FASTER: " ".join(map(str, moment))}
    return await asyncio.create_subprocess_exec(*command, env=faster, stderr=asyncio.subprocess.DEVNULL)


Sample = tuple[float, float, float, int]


async def watched(
    settings: Settings, moment: tuple[float, ...], minutes: float, pages: bool, starts_s: float
) -> tuple[list[Sample], dict[str, Any], dict[str, Any]]:
    """The daemon in a process of its own: samples, and what it says of itself before and after."""
    assert settings.page is not None
    address = f"127.0.0.1:{settings.page.port}"
    words = [settings.plan_file, settings.data, settings.secrets_file, address]
    daemon = await started("--child", *map(str, words), moment=moment)
    await asyncio.sleep(starts_s)
    stop = asyncio.Event()
    looking = asyncio.create_task(look(f"http://{address}", stop)) if pages else None
    async with httpx.AsyncClient(base_url=f"http://{address}", timeout=30) as client:
        before = (await client.get("/api/itself")).json()
        samples = await sampled(daemon.pid, minutes)
        after = (await client.get("/api/itself")).json()
    stop.set()
    if looking is not None:
        await looking
    daemon.terminate()
    await daemon.wait()
    return samples, before, after


async def sampled(pid: int, minutes: float) -> list[Sample]:
    """(seconds, MB, CPU seconds, descriptors), each two seconds."""
    began_s, found = time.monotonic(), []
    while time.monotonic() - began_s < 60 * minutes:
        found.append((time.monotonic() - began_s, rss_mb(pid), cpu_s(pid), descriptors(pid)))
        await asyncio.sleep(2)
    return found


def told(
    samples: list[Sample], before: dict[str, Any], itself: dict[str, Any], speed: float, history: int
) -> dict[str, Any]:
    """The figures."""
    half = samples[len(samples) // 2 :]
    times, sizes = [one[0] for one in half], [one[1] for one in half]
    slope = statistics.linear_regression(times, sizes).slope if len(half) > 2 else 0.0
    return {
        "rss_mb": round(max(one[1] for one in samples), 1),
        "memory_mb_a_day": round(slope * 86_400 / speed, 2),
        "cpu_percent": round(100 * (samples[-1][2] - samples[0][2]) / (samples[-1][0] - samples[0][0]), 2),
        # Connections come and go, a hundred at once; what is never given back shows in the least of the last quarter.
        "descriptors": [samples[0][3], min(one[3] for one in samples[-len(samples) // 4 :])],
        "most_descriptors": max(one[3] for one in samples),
        "late_rounds": itself["late_rounds"] - before["late_rounds"],
        "late_while_starting": before["late_rounds"],
        "late_jobs": itself["late_jobs"],
        "failed": itself["last_failure"],
        "snmp_not_believed": itself["snmp_not_believed"],
        "history_mb": round(history / 1e6, 2),
    }


def clock_of() -> FastClock:
    """The clock that all processes go by."""
    return FastClock(*map(float, os.environ[FASTER].split()))


def serve_site(words: list[str]) -> None:
    """A part of the simulated site, so that it is no slower than what is measured: the head-end with its many ports,
    or every second pole."""
    plan, part = Plan.model_validate_json(Path(words[0]).read_bytes()), int(words[1])
    clock = clock_of()
    poles = [pole.name for pole in plan.poles]
    mine = {plan.headend.name} if part == 0 else set(poles[part - 1 :: PARTS - 1])

    async def run() -> None:
        site = LiveSite(World(plan, 1, clock.wall_s(), BOOT_S), plan, WORD, mine.__contains__)
        site.objects_last_s = 5.0 if clock.speed > 1 else 0.0
        await site.open()
        await site.run(clock.wall_s, clock.sleep)

    asyncio.run(run())


def child(words: list[str]) -> None:
    """The daemon's process."""
    log_to_stderr()
    plan, data, secrets = map(Path, words[:3])
    clock = clock_of()
    asyncio.run(Daemon(Settings(plan, data, secrets, page_of(words[3], None, None, "")), clock).run())


if __name__ == "__main__":
    if sys.argv[1:2] == ["--site"]:
        serve_site(sys.argv[2:])
    if sys.argv[1:2] == ["--child"]:
        child(sys.argv[2:])
        sys.exit()
    parser = argparse.ArgumentParser()
    parser.add_argument("--poles", type=int, default=12)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--speed", type=float, default=1.0)
    parser.add_argument("--no-pages", action="store_true")
    parser.add_argument("--at", metavar="HH:MM", help="of today, UTC: when it is for the site at the start (now)")
    given = parser.parse_args()
    now = datetime.now(UTC)
    start = datetime.fromisoformat(f"{now:%Y-%m-%d} {given.at}+00:00") if given.at else now
    words = (given.poles, given.minutes, given.speed, not given.no_pages, start.timestamp())
    print(json.dumps(asyncio.run(measured(*words))))
