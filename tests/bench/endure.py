"""What the daemon takes of a box: python -m tests.bench.endure [--poles 12] [--minutes 5] [--speed 1]

A simulated site in this process, the daemon in one of its own, its pages open. One JSON line: resident memory, share of
one core, descriptors, late rounds, megabytes of history; ``memory_mb_a_day`` is the slope over the second half, by days
of rounds: with ``--speed 15`` each minute does the rounds of a quarter of an hour.
"""

import argparse
import asyncio
import json
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx

from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import lay_out, open_site
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.lock import HISTORY
from monitor.daemon.page import Page
from monitor.history.store import Store
from monitor.simulation.campaign import widened
from tests.peers.test_page import free_port

TICKS_PER_S = 100
USUAL = {"reach_s": 15.0, "measure_s": 60.0}


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


async def measured(poles: int, minutes: float, speed: float, pages: bool) -> dict[str, Any]:
    """Run it, and sample the daemon each two seconds."""
    plan, _ = load_plan(shipped() / "tarrow-downs.yaml")
    plan, clock = widened(plan, poles) if poles > len(plan.poles) else plan, SystemClock()
    site = await open_site(plan, "bench-word", 1, clock.wall_s(), {name: s / speed for name, s in USUAL.items()})
    running = asyncio.create_task(site.run(clock.wall_s, clock.sleep))
    with tempfile.TemporaryDirectory() as name:
        settings = lay_out(Path(name), site.plan, "bench-word", 9, Page(port=free_port()))
        assert settings.page is not None
        settings.data.mkdir(exist_ok=True)
        with Store(settings.data / HISTORY):  # what is measured is a start like any but the first
            pass
        words = ["--plan", settings.plan_file, "--data", settings.data, "--secrets", settings.secrets_file]
        address = f"127.0.0.1:{settings.page.port}"
        command = [sys.executable, "-m", "monitor", "run", *map(str, words), "--page", address]
        daemon = await asyncio.create_subprocess_exec(*command, stderr=asyncio.subprocess.DEVNULL)
        await asyncio.sleep(15)
        stop = asyncio.Event()
        looking = asyncio.create_task(look(f"http://{address}", stop)) if pages else None
        samples = await sampled(daemon.pid, minutes)
        async with httpx.AsyncClient(base_url=f"http://{address}") as client:
            itself = (await client.get("/api/itself")).json()
        stop.set()
        if looking is not None:
            await looking
        daemon.terminate()
        await daemon.wait()
        history = sum(file.stat().st_size for file in settings.data.glob("history.sqlite*"))
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    site.close()
    return {"poles": poles, "minutes": minutes, "speed": speed, **told(samples, minutes, speed, itself, history)}


async def sampled(pid: int, minutes: float) -> list[tuple[float, float, float, int]]:
    """(seconds, MB, CPU seconds, descriptors), each two seconds."""
    began_s, found = time.monotonic(), []
    while time.monotonic() - began_s < 60 * minutes:
        found.append((time.monotonic() - began_s, rss_mb(pid), cpu_s(pid), descriptors(pid)))
        await asyncio.sleep(2)
    return found


def told(
    samples: list[tuple[float, float, float, int]], minutes: float, speed: float, itself: dict[str, Any], history: int
) -> dict[str, Any]:
    """The figures."""
    half = samples[len(samples) // 2 :]
    times, sizes = [one[0] for one in half], [one[1] for one in half]
    slope = statistics.linear_regression(times, sizes).slope if len(half) > 2 else 0.0
    return {
        "rss_mb": round(max(one[1] for one in samples), 1),
        "memory_mb_a_day": round(slope * 86_400 / speed, 2),
        "cpu_percent": round(100 * (samples[-1][2] - samples[0][2]) / (samples[-1][0] - samples[0][0]), 2),
        "descriptors": [samples[0][3], max(one[3] for one in samples), samples[-1][3]],
        "late_rounds": itself["late_rounds"],
        "snmp_not_believed": itself["snmp_not_believed"],
        "history_mb": round(history / 1e6, 2),
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--poles", type=int, default=12)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--speed", type=float, default=1.0)
    parser.add_argument("--no-pages", action="store_true")
    given = parser.parse_args()
    print(json.dumps(asyncio.run(measured(given.poles, given.minutes, given.speed, not given.no_pages))))
