"""The memory that the unit allows, by a control group of the test's own: enough for all it does, and what goes first.

Linux's cgroup v1 memory controller or v2, as the machine has it (Documentation/admin-guide/cgroup-v1/memory.rst,
cgroup-v2.rst).
"""

import asyncio
import os
import re
import signal
import sys
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest

from monitor.daemon.lock import HISTORY
from monitor.history.store import Store
from monitor.show.child import first_to_go
from tests.bench.survive import up
from tests.conftest import _skip_or_fail
from tests.peers.test_page import free_port
from tests.whole.conftest import Farm, farm

__all__ = ["farm"]

pytestmark = pytest.mark.whole

V1, V2 = Path("/sys/fs/cgroup/memory"), Path("/sys/fs/cgroup")
MIB = 2**20
ROOM = 25 * MIB
"""Above what is taken: less than a review wants."""


class Group:
    """Processes that share a limit."""

    def __init__(self) -> None:
        self.old = (V1 / "memory.limit_in_bytes").exists()
        self.at = (V1 if self.old else V2) / f"farpole-test-{os.getpid()}"
        self.at.mkdir()

    def limit(self, octets: int) -> None:
        with suppress(FileNotFoundError):  # a kernel without swap
            (self.at / ("memory.swappiness" if self.old else "memory.swap.max")).write_text("0", encoding="ascii")
        name = "memory.limit_in_bytes" if self.old else "memory.max"
        (self.at / name).write_text(str(octets), encoding="ascii")

    def taken(self) -> int:
        """Octets that cannot be given back by forgetting files."""
        found = dict(line.split() for line in (self.at / "memory.stat").read_text(encoding="ascii").splitlines())
        return int(found["total_rss" if self.old else "anon"])

    def killed(self) -> int:
        """How many processes the kernel has ended for want of memory."""
        text = (self.at / ("memory.oom_control" if self.old else "memory.events")).read_text(encoding="ascii")
        found = re.search(r"^oom_kill (\d+)$", text, re.MULTILINE)
        assert found is not None, text
        return int(found[1])

    def command(self, *words: str) -> list[str]:
        """The same in this group from its first instruction on."""
        return ["sh", "-c", f'echo $$ > {self.at}/cgroup.procs; exec "$@"', "sh", *words]

    def remove(self) -> None:
        self.at.rmdir()


class Boxed(Farm):
    """A farm whose daemon and reviews run in a group; who asks stands outside."""

    group: Group

    def command(self, *arguments: str) -> list[str]:
        words = super().command(*arguments)
        return self.group.command(*words) if arguments[0] in ("run", "review") else words


@pytest.fixture
def group() -> Iterator[Group]:
    try:
        made = Group()
        made.limit(2**30)
    except OSError as error:
        _skip_or_fail(f"no control group of the test's own: {error}")
        return
    yield made
    made.remove()


@pytest.fixture
def boxed(group: Group, farm: Farm) -> Boxed:
    made = Boxed(farm.site, farm.settings, farm.received, farm.started)
    made.group = group
    return made


def of_the_unit() -> int:
    unit = Path(__file__).parents[2] / "deploy" / "farpole.service"
    found = re.search(r"^MemoryMax=(\d+)M$", unit.read_text(encoding="utf-8"), re.MULTILINE)
    assert found is not None
    return int(found[1]) * MIB


async def review(farm: Farm, folder: Path, spared: bool) -> int | None:
    """This month's review as HTML and PDF, charts and all, as the daemon starts it; how it ended."""
    words = ["review", "--plan", str(farm.settings.plan_file), "--data", str(farm.settings.data)]
    words += ["--month", f"{datetime.now(ZoneInfo(farm.site.plan.site.timezone)):%Y-%m}"]
    words += ["--out", str(folder / "month.html"), "--out", str(folder / "month.pdf")]
    process = await asyncio.create_subprocess_exec(*farm.command(*words), stderr=asyncio.subprocess.PIPE)
    if not spared:
        first_to_go(process.pid)
    await process.communicate()
    return process.returncode


async def ended(daemon: asyncio.subprocess.Process) -> None:
    daemon.terminate()
    await daemon.wait()


async def test_all_that_it_does_goes_into_the_memory_of_its_unit(boxed: Boxed, tmp_path: Path) -> None:
    boxed.group.limit(of_the_unit())
    port = free_port()
    daemon = await boxed.daemon(f"127.0.0.1:{port}", asyncio.subprocess.DEVNULL)
    await boxed.until(partial(up, boxed))
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=30) as client:
        for path in ("/", "/pole/creek?range=week", "/alarms", "/plan", "/metrics"):
            (await client.get(path)).raise_for_status()
    assert await review(boxed, tmp_path, True) == 0
    assert (tmp_path / "month.pdf").stat().st_size > 10_000
    assert boxed.group.killed() == 0
    await ended(daemon)


async def test_where_memory_runs_out_the_review_goes_and_monitoring_goes_on(boxed: Boxed, tmp_path: Path) -> None:
    daemon = await boxed.daemon("off", asyncio.subprocess.DEVNULL)
    await boxed.until(partial(up, boxed))
    await asyncio.sleep(5)
    boxed.group.limit(boxed.group.taken() + ROOM)
    assert await review(boxed, tmp_path, False) == -signal.SIGKILL
    assert boxed.group.killed() >= 1
    boxed.group.limit(of_the_unit())
    boxed.breaks("feeder-open", "creek")
    await boxed.until(partial(told, boxed, "creek pole-silent"))
    assert daemon.returncode is None
    await ended(daemon)


async def says(farm: Farm, words: str) -> bool:
    return words in (await farm.ask("alarms", "--json"))[1]


async def told(farm: Farm, alarm: str) -> bool:
    return alarm in await farm.standing()


async def test_ended_at_its_limit_it_goes_on_and_says_so(boxed: Boxed) -> None:
    """A neighbour in the group takes it all, and the kernel chooses the daemon."""
    daemon = await boxed.daemon("off", asyncio.subprocess.DEVNULL)
    await boxed.until(partial(up, boxed))
    assert (await boxed.ask("note", "creek", "joint cleaned", "--by", "jo"))[0] == 0
    first_to_go(daemon.pid)
    boxed.group.limit(boxed.group.taken() + ROOM)
    hungry = "import time; taken = bytearray(90 << 20); time.sleep(60)"
    hog = await asyncio.create_subprocess_exec(*boxed.group.command(sys.executable, "-c", hungry))
    async with asyncio.timeout(30):
        assert await daemon.wait() == -signal.SIGKILL
    if hog.returncode is None:
        hog.kill()
    await hog.wait()
    assert boxed.group.killed() >= 1
    boxed.group.limit(of_the_unit())
    again = await boxed.daemon("off", asyncio.subprocess.PIPE)
    await boxed.until(partial(up, boxed))
    await boxed.until(partial(says, boxed, "did not stop in order"))
    with Store(boxed.settings.data / HISTORY, read_only=True) as store:
        assert [one.text for one in store.repairs()] == ["joint cleaned"], "what was acknowledged is there"
    again.terminate()
    _, err = await again.communicate()
    assert b"Traceback" not in err
