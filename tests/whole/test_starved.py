"""The daemon on a machine that gives it little: hardly any processor time, moments of none, few descriptors.

Nobody is blamed for that, and a pole that truly drops is told of all the same, later.
``python -m tests.bench.siege`` does the same for ten minutes.
"""

import asyncio
import os
import signal
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path

import pytest

from tests.bench.survive import up
from tests.conftest import _skip_or_fail
from tests.whole.conftest import Farm, farm
from tests.whole.test_withstand import dropped

__all__ = ["farm"]

pytestmark = pytest.mark.whole

V1, V2 = Path("/sys/fs/cgroup/cpu"), Path("/sys/fs/cgroup")
PERIOD_US = 100_000
TENTH_US = 10_000
"""CFS bandwidth control: 10 ms of each 100 ms (Documentation/scheduler/sched-bwc.rst)."""
QUIET_S = 12.0


class CpuGroup:
    """Processes that share a part of one core."""

    def __init__(self) -> None:
        self._old = (V1 / "cpu.cfs_quota_us").exists()
        self.at = (V1 if self._old else V2) / f"farpole-test-cpu-{os.getpid()}"
        self.at.mkdir()

    def limit(self, quota_us: int) -> None:
        if self._old:
            (self.at / "cpu.cfs_period_us").write_text(str(PERIOD_US), encoding="ascii")
            (self.at / "cpu.cfs_quota_us").write_text(str(quota_us), encoding="ascii")
        else:
            (self.at / "cpu.max").write_text(f"{quota_us} {PERIOD_US}", encoding="ascii")

    def take(self, pid: int) -> None:
        (self.at / "cgroup.procs").write_text(str(pid), encoding="ascii")

    def remove(self) -> None:
        self.at.rmdir()


@pytest.fixture
def group() -> Iterator[CpuGroup]:
    made = None
    try:
        made = CpuGroup()
        made.limit(PERIOD_US)
    except OSError as error:
        if made is not None:
            made.remove()
        _skip_or_fail(f"no control group of the test's own: {error}")
    assert made is not None
    yield made
    made.remove()


def silences(standing: Iterable[str]) -> list[str]:
    kinds = ("pole-silent", "supply-lost", "head-end-silent", "load-silent")
    return [name for name in standing if name.split()[1] in kinds]


async def nobody_is_blamed_and_a_drop_is_told(farm: Farm, within_s: float) -> None:
    """What holds on any machine, however little it gives."""
    await asyncio.sleep(QUIET_S)
    assert [title for title, _ in farm.received if "silent" in title] == []
    farm.breaks("feeder-open", "creek")
    await farm.until(partial(called_out, farm), within_s)
    assert {title for title, _ in farm.received if "silent" in title and "creek" not in title} == set()


async def called_out(farm: Farm) -> bool:
    return any("creek" in title for title, _ in farm.received)


async def test_a_tenth_of_a_core(farm: Farm, group: CpuGroup) -> None:
    daemon = await farm.daemon(log=asyncio.subprocess.DEVNULL)
    await farm.until(partial(up, farm))
    await asyncio.sleep(3)
    group.limit(TENTH_US)
    group.take(daemon.pid)
    try:
        await nobody_is_blamed_and_a_drop_is_told(farm, 60)
        group.limit(PERIOD_US)
        assert silences(await farm.standing()) == ["creek pole-silent"]
    finally:
        daemon.kill()
        await daemon.wait()


async def test_stopped_now_and_then(farm: Farm) -> None:
    daemon = await farm.daemon(log=asyncio.subprocess.DEVNULL)
    await farm.until(partial(up, farm))
    await asyncio.sleep(3)

    async def pulses() -> None:
        while True:
            for number, for_s in ((signal.SIGSTOP, 2.5), (signal.SIGCONT, 1.5)):
                daemon.send_signal(number)
                await asyncio.sleep(for_s)

    stopping = asyncio.create_task(pulses())
    try:
        await nobody_is_blamed_and_a_drop_is_told(farm, 60)
    finally:
        stopping.cancel()
        daemon.kill()
        await daemon.wait()


async def test_with_64_descriptors_it_says_that_these_are_too_few(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = farm.command
    monkeypatch.setattr(
        farm, "command", lambda *w: ["prlimit", "--nofile=64:64", *plain(*w)] if w[0] == "run" else plain(*w)
    )
    daemon = await farm.daemon(log=asyncio.subprocess.DEVNULL)
    await farm.until(partial(up, farm))
    await farm.until(partial(told_of_sockets, farm), 10)
    farm.breaks("feeder-open", "creek")
    await farm.until(partial(dropped, farm), 30)
    assert silences(await farm.standing()) == ["creek pole-silent"]
    daemon.terminate()
    await daemon.wait()


async def told_of_sockets(farm: Farm) -> bool:
    found = (await farm.standing()).get("farpole sockets-short")
    return found is not None and "64" in found["text"] and any("64" in body for _, body in farm.received)
