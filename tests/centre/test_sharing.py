"""Several processes ask one site together: no place twice in a round, a dead one replaced in time, one alarm book."""

import asyncio
import os
import signal
import sys
import time
from collections.abc import AsyncIterator
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import lay_out, open_site
from monitor.daemon.page import Page
from monitor.daemon.sharing import LEASE_S, TAKE_S
from monitor.history.store import Store
from monitor.plan.parts import Plan
from monitor.simulation.faults import Fault
from tests.history.cluster import Cluster
from tests.lateness import standstill
from tests.peers.test_page import free_port

pytestmark = pytest.mark.peer

REACH_S = 3.0


class Site:
    """The simulated site, and any number of farpoles on it."""

    def __init__(self, folder: Path, url: str, plan: Plan) -> None:
        self.folder, self.url, self.plan, self.clock = folder, url, plan, SystemClock()
        self.processes: dict[str, asyncio.subprocess.Process] = {}

    async def open(self) -> None:
        paces = {"reach_s": REACH_S, "measure_s": 5.0, "hold_s": 0.0}
        self.site = await open_site(self.plan, "shared-word", 1, self.clock.wall_s(), paces)
        self.running = asyncio.create_task(self.site.run(self.clock.wall_s, self.clock.sleep))
        self.settings = lay_out(self.folder, self.site.plan, "shared-word", 9, Page(port=free_port()))

    async def start(self, name: str) -> None:
        words = ["-m", "monitor", "run", "--share", "--page", "off", "--history", self.url]
        words += ["--plan", str(self.settings.plan_file), "--secrets", str(self.settings.secrets_file)]
        words += ["--data", str(self.folder / name)]
        (self.folder / name).mkdir(exist_ok=True)
        with (self.folder / f"{name}.log").open("ab") as log:
            self.processes[name] = await asyncio.create_subprocess_exec(sys.executable, *words, stderr=log)

    async def kill(self, name: str, how: int = signal.SIGKILL) -> None:
        process = self.processes.pop(name)
        os.kill(process.pid, how)
        await process.wait()

    def log(self, name: str) -> str:
        return (self.folder / f"{name}.log").read_text()

    async def says(self, name: str, words: str, timeout_s: float = 40) -> None:
        until_s = time.monotonic() + timeout_s
        while words not in self.log(name):
            assert time.monotonic() < until_s, self.log(name)
            await asyncio.sleep(0.1)

    def asked(self, since_s: float) -> dict[str, list[float]]:
        """Place → when its switch was asked whether it is there."""
        with Store(self.url, read_only=True) as store:
            places = [self.plan.headend.name, *(pole.name for pole in self.plan.poles)]
            found = {}
            for place in places:
                slot = next(
                    s for s in store.known() if s.resource == f"{place}/switch" and s.quantity == "uptime_seconds"
                )
                found[place] = store.readings(slot, since_s, 4e9).times_s.tolist()
            return found

    async def close(self) -> None:
        for name in list(self.processes):
            await self.kill(name)
        self.running.cancel()
        await asyncio.gather(self.running, return_exceptions=True)
        self.site.close()


@pytest.fixture
async def site(tmp_path: Path, cluster: Cluster, tarrow: Plan) -> AsyncIterator[Site]:
    made = Site(tmp_path, cluster.new_database(), tarrow)
    await made.open()
    try:
        yield made
    finally:
        await made.close()


def never_twice(gaps: list[float], stood_s: float) -> bool:
    """Nobody was asked twice in a round: two gaps together are two rounds, less a second for rows that carry whole ones
    and another where a round came late, and what this machine stood still. Twice would be one round and nothing."""
    return all(a + b >= 2 * REACH_S - 2 - stood_s for a, b in pairwise(gaps))


async def slept(seconds: float) -> float:
    """Wait; for how long this machine stood still meanwhile [s]."""
    with standstill() as stood:
        await asyncio.sleep(seconds)
        return stood.seconds


async def test_three_share_a_site_and_two_die(site: Site) -> None:
    await site.start("one")
    await site.says("one", "watching Tarrow Downs")
    for name in ("two", "three"):
        await site.start(name)
        await site.says(name, "from now on")
    assert "watching" not in site.log("two") + site.log("three"), "one alone holds the book"
    steady_s = time.time() + 2 * REACH_S
    stood_s = await slept(9 * REACH_S)
    for place, times in site.asked(steady_s).items():
        gaps = [b - a for a, b in pairwise(times)]
        assert gaps, place
        assert never_twice(gaps, stood_s), (place, gaps)
        assert max(gaps) <= REACH_S + 1.5 + stood_s, (place, gaps)
    await site.kill("two")
    killed_s = time.time()
    stood_s = await slept(LEASE_S + 3 * REACH_S)
    for place, times in site.asked(killed_s - 3 * REACH_S).items():
        gaps = [b - a for a, b in pairwise(times)]
        assert max(gaps) <= REACH_S + LEASE_S + TAKE_S + 1.0 + stood_s, (place, gaps)  # rows carry whole seconds
        assert never_twice(gaps, stood_s), (place, gaps)
        # Whoever holds the book writes its rounds once a period: what was asked is seen here up to two periods later.
        assert time.time() - times[-1] < 3 * REACH_S + 1 + stood_s, "somebody asks it again"
    await site.kill("one")
    await site.says("three", "watching Tarrow Downs", LEASE_S + 15)
    site.site.world.faults = [Fault("feeder-open", "creek", site.clock.wall_s())]
    await site.says("three", "raised: creek pole-silent", 60)
    await site.start("four")
    await site.says("four", "from now on")
    await site.kill("three", signal.SIGTERM)
    await site.says("four", "watching Tarrow Downs", 15)
    with Store(site.url, read_only=True) as store:
        silent = [c for c in store.changes(0.0) if c.key.type == "pole-silent" and c.what.startswith("raised")]
        assert [c.key.resource for c in silent] == ["creek"], "told once, whoever holds the book"
