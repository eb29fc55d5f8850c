"""A simulated site in the test's own loop, and daemons on it as processes of their own."""

import asyncio
import json
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import lay_out, open_site
from monitor.daemon.run import Settings
from monitor.plan.parts import Plan
from monitor.simulation.faults import Fault
from monitor.simulation.live import LiveSite
from monitor.simulation.receiver import Receiver

FAST: dict[str, float] = {"reach_s": 2, "measure_s": 3, "hold_s": 1}


@dataclass
class Farm:
    """The simulated site, what its owner's phone received, and the files that a daemon needs."""

    site: LiveSite
    settings: Settings
    received: list[tuple[str, str]] = field(default_factory=list)
    started: list[asyncio.subprocess.Process] = field(default_factory=list)

    def breaks(self, fault: str, pole: str) -> None:
        self.site.world.faults.append(Fault(fault, pole, 0.0))
        self.site.step(SystemClock().wall_s())

    def repaired(self) -> None:
        self.site.world.faults.clear()
        self.site.step(SystemClock().wall_s())

    def command(self, *arguments: str) -> list[str]:
        return [sys.executable, "-m", "monitor", *arguments]

    async def ask(self, *arguments: str) -> tuple[int, str, str]:
        """Run a command against the daemon: status, stdout, stderr."""
        process = await asyncio.create_subprocess_exec(
            *self.command(*arguments, "--data", str(self.settings.data)),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        out, err = await process.communicate()
        return process.returncode or 0, out.decode(), err.decode()

    async def daemon(self, page: str = "off", log: int = asyncio.subprocess.PIPE) -> asyncio.subprocess.Process:
        """A daemon of its own process; ``log`` is where its stderr goes."""
        s = self.settings
        words = ["--plan", s.plan_file, "--data", s.data, "--secrets", s.secrets_file, "--page", page]
        self.started.append(await asyncio.create_subprocess_exec(*self.command("run", *map(str, words)), stderr=log))
        return self.started[-1]

    async def until(self, what: Callable[[], Awaitable[bool]], seconds: float = 30) -> None:
        """Wait for something to become true, no longer than ``seconds``."""
        for _ in range(int(seconds * 5)):
            if await what():
                return
            await asyncio.sleep(0.2)
        raise AssertionError(f"it did not become true within {seconds} s")

    async def standing(self) -> dict[str, dict[str, Any]]:
        """Alarms that stand, by "resource type"; empty while there is no daemon."""
        status, out, _ = await self.ask("alarms", "--json")
        found = json.loads(out) if status == 0 and out else []
        return {f"{a['resource']} {a['type']}": a for a in found if not a["cleared"]}


@pytest.fixture
async def farm(tmp_path: Path, tarrow: Plan) -> AsyncIterator[Farm]:
    clock = SystemClock()
    received: list[tuple[str, str]] = []
    receiver = Receiver(lambda title, body: received.append((title, body)))
    await receiver.open()
    site = await open_site(tarrow, "farm-word", 1, clock.wall_s(), FAST)
    site.world.boot_s = 2.0
    running = asyncio.create_task(site.run(clock.wall_s, clock.sleep))
    made = Farm(site, lay_out(tmp_path, site.plan, "farm-word", receiver.port, None), received)
    yield made
    for one in made.started:
        if one.returncode is None:  # a test that failed has left it running
            one.kill()
            await one.wait()
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    site.close()
    receiver.close()
