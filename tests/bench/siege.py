"""A site under attack, and a pole that drops meanwhile: python -m tests.bench.siege [--seconds 20] [KIND ...]

For each attack a feeder breaks while it goes on. One JSON line: seconds from the break to the callout, beside those of
a quiet daemon in the same run; acts on alarms, which nobody who is known has done; silences that were none.
"""

import argparse
import asyncio
import json
import random
import resource
import signal
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, nullcontext, suppress
from functools import partial
from pathlib import Path
from typing import Any

from argon2 import PasswordHasher
from ruamel.yaml import YAML

from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import lay_out, open_site
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.lock import HISTORY
from monitor.simulation.receiver import Receiver
from tests.bench.survive import up
from tests.history.disk import Disk, why_not
from tests.peers.test_page import free_port
from tests.show.certificate import own_certificate
from tests.whole.conftest import FAST, Farm
from tests.whole.test_starved import PERIOD_US, TENTH_US, CpuGroup

NETWORK = ("resets", "idle", "bare", "slow", "flood", "passwords")
OWN = ("quiet", "starved", "stopped", "full", "damage", "drip")
BEGUN_S, MOST_S = 4.0, 90.0
DESCRIPTORS = 1024


class Besieged:
    """A farm whose page stands open to the network, with TLS and a password."""

    def __init__(self, folder: Path, data: Path | None = None, drips_at: int | None = None) -> None:
        self.folder, self.data, self.drips_at, self.port = folder, data, drips_at, free_port()
        self.received: list[tuple[str, str]] = []

    async def open(self) -> None:
        clock = SystemClock()
        plan, _ = load_plan(shipped() / "tarrow-downs.yaml")
        self.receiver = Receiver(lambda title, body: self.received.append((title, body)))
        await self.receiver.open()
        site = await open_site(plan, "farm-word", 1, clock.wall_s(), FAST)
        site.world.boot_s = 2.0
        self.running = asyncio.create_task(site.run(clock.wall_s, clock.sleep))
        settings = lay_out(self.folder, site.plan, "farm-word", self.receiver.port, None)
        self.farm = Farm(site, settings, self.received)
        secrets = settings.secrets_file
        assert secrets is not None
        made = PasswordHasher().hash("a long road home")
        entry = f"  jo: {{kind: log-in, role: operator, password_argon2: '{made}'}}\n"
        secrets.write_text(secrets.read_text(encoding="utf-8").rstrip() + "\n" + entry, encoding="utf-8")
        if self.drips_at is not None:
            self._drips(settings.plan_file, self.drips_at)
        certificate, key = own_certificate(self.folder)
        words = ["--plan", settings.plan_file, "--data", self.data or settings.data, "--secrets", secrets]
        words += ["--page", f"0.0.0.0:{self.port}", "--certificate", certificate, "--key", key]
        limited = ["prlimit", f"--nofile={DESCRIPTORS}:{DESCRIPTORS}"]
        self.log = (self.folder / "log").open("wb")
        self.command = [*limited, *self.farm.command("run", *map(str, words))]
        self.farm.settings = type(settings)(settings.plan_file, self.data or settings.data, secrets)
        await self.begin()

    def _drips(self, file: Path, port: int) -> None:
        """The last camera of the plan, which is not at creek, is asked where something drips."""
        document = YAML(typ="safe").load(file.read_text(encoding="utf-8"))
        loads = [load for pole in document["poles"] if pole["name"] != "creek" for load in pole["loads"]]
        camera = [load for load in loads if load.get("stream")][-1]
        camera["address"], camera["tcp_port"], camera["stream"]["port"] = "127.0.0.1", port, port
        with file.open("w", encoding="utf-8") as opened:
            YAML(typ="safe").dump(document, opened)

    async def begin(self) -> None:
        self.daemon = await asyncio.create_subprocess_exec(*self.command, stderr=self.log)
        await self.farm.until(partial(up, self.farm))
        await asyncio.sleep(BEGUN_S)

    async def damaged(self) -> None:
        """Kill it, put 64 random octets into its history at four places, and start it again."""
        await self.ended()
        file, chance = self.farm.settings.data / HISTORY, random.Random(1)
        with file.open("r+b") as opened:
            for _ in range(4):
                opened.seek(chance.randrange(file.stat().st_size))
                opened.write(chance.randbytes(64))
        await self.begin()

    async def ended(self) -> None:
        if self.daemon.returncode is None:
            self.daemon.send_signal(signal.SIGCONT)
            self.daemon.kill()
        await self.daemon.wait()

    async def close(self) -> None:
        await self.ended()
        self.log.close()
        self.running.cancel()
        await asyncio.gather(self.running, return_exceptions=True)
        self.farm.site.close()
        self.receiver.close()

    async def called_out_s(self) -> float | None:
        """Break a feeder; seconds to the callout, None where none came."""
        began_s = time.monotonic()
        self.farm.breaks("feeder-open", "creek")
        while time.monotonic() - began_s < MOST_S:
            if any("creek" in title for title, _ in self.received):
                return round(time.monotonic() - began_s, 1)
            await asyncio.sleep(0.05)
        return None


@asynccontextmanager
async def attacked(kind: str, site: Besieged, seconds: float) -> AsyncIterator[None]:
    """While an attack goes on, which has begun so many seconds ago."""
    ways: dict[str, Callable[[Besieged, float], AbstractAsyncContextManager[None]]]
    ways = {"starved": starved, "stopped": stopped, **dict.fromkeys(NETWORK, partial(from_outside, kind))}
    async with ways[kind](site, seconds) if kind in ways else nullcontext():
        await asyncio.sleep(seconds)
        yield


@asynccontextmanager
async def from_outside(kind: str, site: Besieged, seconds: float) -> AsyncIterator[None]:
    words = [sys.executable, "-m", "tests.bench.siege_attacks", kind, str(site.port), str(seconds + MOST_S)]
    attacker = await asyncio.create_subprocess_exec(*words, stdout=asyncio.subprocess.DEVNULL)
    try:
        yield
    finally:
        attacker.kill()
        await attacker.wait()


@asynccontextmanager
async def starved(site: Besieged, _: float) -> AsyncIterator[None]:
    group = CpuGroup()
    group.limit(TENTH_US)
    group.take(site.daemon.pid)
    try:
        yield
    finally:
        group.limit(PERIOD_US)
        await site.ended()
        group.remove()


@asynccontextmanager
async def stopped(site: Besieged, _: float) -> AsyncIterator[None]:
    stopping = asyncio.create_task(pulses(site.daemon))
    try:
        yield
    finally:
        stopping.cancel()


async def pulses(daemon: asyncio.subprocess.Process) -> None:
    """Two and a half seconds of nothing, one and a half of everything."""
    while True:
        for number, for_s in ((signal.SIGSTOP, 2.5), (signal.SIGCONT, 1.5)):
            daemon.send_signal(number)
            await asyncio.sleep(for_s)


async def one(kind: str, seconds: float) -> dict[str, Any]:
    """One attack on a fresh site."""
    disk = None
    with tempfile.TemporaryDirectory() as name:
        if kind == "full":
            if why_not():
                return {"left_out": why_not()}
            disk = Disk(Path(name))
        drip = await asyncio.start_server(dripping, "127.0.0.1", 0) if kind == "drip" else None
        drips_at = drip.sockets[0].getsockname()[1] if drip else None
        site = Besieged(Path(name), disk.at / "data" if disk else None, drips_at)
        try:
            await site.open()
            if kind == "damage":
                await site.damaged()
            if disk is not None:
                disk.fill()
            async with attacked(kind, site, seconds):
                callout_s = await site.called_out_s()
                silent = [title for title, _ in site.received if "silent" in title and "creek" not in title]
                usage = resource_of(site.daemon.pid)
                standing = await site.farm.standing() if kind != "stopped" else {}
                acted = sum(alarm["operator"] != "none" for alarm in standing.values())
            log_kb = round((Path(name) / "log").stat().st_size / 1024)
            return {"callout_s": callout_s, "false_silences": len(silent), "acted": acted, "log_kb": log_kb, **usage}
        finally:
            await site.close()
            if drip is not None:
                drip.close()
            if disk is not None:
                disk.unmount()


async def dripping(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """An answer that comes one octet a second and has no end."""
    with suppress(OSError):
        writer.write(b"RTSP/1.0 200 OK\r\nX: ")
        while not writer.is_closing():
            writer.write(b"x")
            await writer.drain()
            await asyncio.sleep(1)


def resource_of(pid: int) -> dict[str, Any]:
    """Resident memory at its most, and descriptors now."""
    found: dict[str, Any] = {}
    with suppress(OSError):
        lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
        found["rss_most_mb"] = round(int(next(x for x in lines if x.startswith("VmHWM:")).split()[1]) / 1024)
        found["descriptors"] = len(list(Path(f"/proc/{pid}/fd").iterdir()))
    return found


async def siege(kinds: list[str], seconds: float) -> dict[str, Any]:
    """All of them, one after the other."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, max(soft, 8192)), hard))
    found = {kind: await one(kind, seconds) for kind in kinds}
    quiet_s = found.get("quiet", {}).get("callout_s")
    for kind, told in found.items():
        if quiet_s and told.get("callout_s") and kind != "quiet":
            told["times_quiet"] = round(told["callout_s"] / quiet_s, 1)
    return {"bench": "siege", "seconds": seconds, **found}


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("kinds", nargs="*", default=[*OWN, *NETWORK])
    parser.add_argument("--seconds", type=float, default=20.0)
    given = parser.parse_args()
    print(json.dumps(asyncio.run(siege(given.kinds, given.seconds))))
