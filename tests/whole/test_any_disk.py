"""farpole watches on whatever disk it is started: full, read-only, missing; and its history goes on when it can."""

import asyncio
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import pytest

from monitor.daemon.lock import HISTORY
from monitor.facts.readings import Slot
from monitor.history.store import Store
from tests.history import disk as disks
from tests.history.cluster import Cluster
from tests.whole.conftest import Farm, farm

__all__ = ["farm"]

pytestmark = pytest.mark.whole
UPTIME = Slot("creek/switch", "uptime_seconds")


@dataclass
class Box:
    """A farm whose data lie on a disk of the test's own."""

    farm: Farm
    disk: disks.Disk
    runtime: Path
    """Where sockets may lie beside the data (XDG_RUNTIME_DIR of the XDG base directory specification)."""
    said: list[str] = field(default_factory=list)

    @property
    def data(self) -> Path:
        return self.farm.settings.data

    async def start(self, *more: str) -> asyncio.subprocess.Process:
        s = self.farm.settings
        words = ["--plan", s.plan_file, "--data", s.data, "--secrets", s.secrets_file, "--page", "off", *more]
        command = self.farm.command("run", *map(str, words))
        log = (self.runtime.parent / "log").open("ab")
        with log:
            started = await asyncio.create_subprocess_exec(*command, stderr=log)
        self.farm.started.append(started)
        return started

    @property
    def log(self) -> str:
        return (self.runtime.parent / "log").read_text(encoding="utf-8")

    async def end(self, daemon: asyncio.subprocess.Process) -> None:
        daemon.terminate()
        assert await daemon.wait() == 0, self.log
        assert "Traceback" not in self.log, self.log

    async def up(self) -> bool:
        return (await self.farm.ask("status"))[0] == 0 and "as of" not in (await self.farm.ask("status"))[2]

    async def told(self, *words: str) -> bool:
        """Has the owner's phone been told of it?"""
        return any(all(word in f"{title}\n{body}" for word in words) for title, body in self.farm.received)

    async def called_out(self, pole: str) -> bool:
        return any(pole in title for title, _ in self.farm.received)

    async def stands(self, alarm: str, wanted: bool = True) -> bool:
        return await self.up() and (alarm in await self.farm.standing()) is wanted

    def kept(self) -> tuple[int, list[str]]:
        """Readings of one series, and the changes of alarms, in the file."""
        with Store(self.data / HISTORY, read_only=True) as store:
            changes = [f"{one.key} {one.what}" for one in store.changes(0.0)]
            return len(store.readings(UPTIME, 0, 4e9)), changes


@pytest.fixture
def box(farm: Farm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Box]:
    why = disks.why_not()
    if why and os.environ.get("CI"):
        pytest.fail(why)
    if why:
        pytest.skip(why)
    place = tmp_path / "box"
    place.mkdir()
    disk = disks.Disk(place)
    farm.settings = replace(farm.settings, data=disk.at / "data")
    runtime = Path("/tmp") / f"farpole-test-{os.getpid()}"  # a socket's path may have 107 octets
    runtime.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime / "run"))
    (runtime / "run").mkdir(mode=0o700)
    made = Box(farm, disk, runtime / "run")
    yield made
    print(made.log)  # noqa: T201  # what a test that fails is understood by
    for one in farm.started:
        if one.returncode is None:
            one.kill()
    disk.unmount()
    shutil.rmtree(runtime)


async def outage_is_called_out(box: Box, pole: str) -> None:
    box.farm.breaks("feeder-open", pole)
    await box.farm.until(lambda: box.called_out(pole))


async def goes_on(box: Box) -> None:
    """The alarm of the history clears, and what was kept in memory lies in the file."""
    await box.farm.until(partial(box.stands, "farpole history-not-written", False))


async def test_full_without_a_history(box: Box) -> None:
    box.data.mkdir()
    box.disk.fill()
    daemon = await box.start()
    await box.farm.until(box.up)
    await box.farm.until(partial(box.told, "history", "full"))
    await outage_is_called_out(box, "creek")
    assert not (box.data / HISTORY).exists() or not (box.data / HISTORY).stat().st_size
    before = len(box.farm.received)
    box.disk.ease()
    await goes_on(box)
    await box.end(daemon)
    readings, changes = box.kept()
    assert readings > 2
    assert "creek pole-silent raised" in changes
    assert "farpole history-not-written raised" in changes
    daemon = await box.start()
    await box.farm.until(box.up)
    await asyncio.sleep(5)
    assert not [title for title, _ in box.farm.received[before:] if "creek" in title], "called out once"
    await box.end(daemon)


async def lived(box: Box, killed: bool) -> int:
    """An earlier life in which woolshed fell silent and was called out; how many messages there were."""
    daemon = await box.start()
    await box.farm.until(box.up)
    await outage_is_called_out(box, "woolshed")
    await box.farm.until(partial(box.stands, "woolshed pole-silent"))
    await asyncio.sleep(2)
    if killed:
        daemon.kill()
        await daemon.wait()
    else:
        await box.end(daemon)
    return len(box.farm.received)


@pytest.mark.parametrize("killed", [True, False])
async def test_full_with_a_history(box: Box, killed: bool) -> None:
    """What stands is known from the file: nobody is called out twice."""
    before = await lived(box, killed)
    had = box.kept()[0] if not killed else 0
    box.disk.fill()
    daemon = await box.start()
    await box.farm.until(partial(box.stands, "woolshed pole-silent"))
    await outage_is_called_out(box, "yards")
    await box.farm.until(partial(box.told, "history", "full"))
    assert not [title for title, _ in box.farm.received[before:] if "woolshed" in title]
    box.disk.ease()
    await goes_on(box)
    await box.end(daemon)
    readings, changes = box.kept()
    assert readings > had
    assert changes.count("woolshed pole-silent raised") == 1
    assert "yards pole-silent raised" in changes


@pytest.mark.parametrize("killed", [True, False])
async def test_read_only_with_a_history(box: Box, killed: bool) -> None:
    """As after a power cut with a worn card: the kernel has mounted it read-only."""
    before = await lived(box, killed)
    box.disk.remount("ro")
    daemon = await box.start()
    await box.farm.until(partial(box.stands, "woolshed pole-silent"))
    await outage_is_called_out(box, "yards")
    await box.farm.until(partial(box.told, "history", "read-only"))
    assert not [title for title, _ in box.farm.received[before:] if "woolshed" in title]
    second = await box.start()
    assert await second.wait() == 1, "two must not run on one data directory"
    assert f"another farpole already runs on {box.data}" in box.log
    box.disk.remount("rw")
    await goes_on(box)
    await box.end(daemon)
    assert "yards pole-silent raised" in box.kept()[1]


async def test_read_only_without_even_a_data_directory(box: Box) -> None:
    box.disk.remount("ro")
    daemon = await box.start()
    await box.farm.until(box.up)
    await box.farm.until(partial(box.told, "history", "read-only"))
    await outage_is_called_out(box, "creek")
    second = await box.start()
    assert await second.wait() == 1, "two must not run on one data directory"
    box.disk.remount("rw")
    await goes_on(box)
    third = await box.start()
    assert await third.wait() == 1, "nor once it is there"
    await box.end(daemon)
    assert "creek pole-silent raised" in box.kept()[1]


async def test_where_no_command_socket_can_be_made_commands_say_so(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    box.data.mkdir()
    box.disk.remount("ro")
    daemon = await box.start()
    await outage_is_called_out(box, "creek")
    status, _, err = await box.farm.ask("note", "creek", "x")
    assert status == 3
    assert f"farpole runs on {box.data}, but" in err
    await box.end(daemon)
    assert "no command socket" in box.log


async def test_a_postgresql_that_comes_later(farm: Farm, box: Box) -> None:
    cluster = Cluster()
    try:
        cluster.start()
        url = cluster.new_database()
        cluster.stop()
        daemon = await box.start("--history", url)
        await box.farm.until(box.up)
        await box.farm.until(partial(box.told, "history", "PostgreSQL"))
        await outage_is_called_out(box, "creek")
        cluster.start()
        await goes_on(box)
        await box.end(daemon)
        with Store(url, read_only=True) as store:
            assert len(store.readings(UPTIME, 0, 4e9)) > 2
            assert "creek pole-silent" in [str(one.key) for one in store.alarms()]
    finally:
        cluster.remove()
