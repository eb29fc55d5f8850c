"""Disks that fill up, become read-only, go away and lose their power, on an ext4 of the test's own."""

import asyncio
import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.daemon import ballast
from monitor.daemon.clock import HandClock
from monitor.daemon.keeper import Keeper
from monitor.daemon.lock import Claim, held, runs_unheard
from monitor.daemon.trapping import own_engine
from monitor.history import wreck
from monitor.history.store import NotKept, Store
from monitor.show.links import key_of
from tests.history import disk as disks
from tests.history.writer import FIRST_S, SLOTS, a_round

pytestmark = pytest.mark.peer
TRIALS = 10


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[disks.Disk]:
    why = disks.why_not()
    if why and os.environ.get("CI"):
        pytest.fail(why)
    if why:
        pytest.skip(why)
    made = disks.Disk(tmp_path)
    yield made
    made.unmount()


def started(history: Path, what: str, start: int = 0) -> "subprocess.Popen[str]":
    words = [sys.executable, "-m", "tests.history.writer", str(history), what, str(start)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)


def cut_while(disk: disks.Disk, what: str, start: int, after_s: float) -> list[int]:
    """Cut the power at a moment of the work; what had been acknowledged until then.

    What is said after the cut does not count: a machine without power says nothing, while here the kernel goes on,
    and its jbd2_complete_transaction() takes a transaction that the cut has ended for one that was committed.
    """
    working = started(disk.at / "history.sqlite", what, start)
    lines = working.stdout
    assert lines is not None
    assert lines.readline() == "ready\n"
    heard: list[int] = []

    def listen() -> None:
        for line in lines:
            heard.append(int(line))

    listening = threading.Thread(target=listen)
    listening.start()
    time.sleep(after_s)
    told = list(heard)
    disk.cut()
    working.kill()
    listening.join()
    working.wait()
    disk.again()
    return told


def test_no_acknowledged_round_is_lost_by_a_power_cut(disk: disks.Disk) -> None:
    rng, start = random.Random(1), 0
    for _ in range(TRIALS):
        told = cut_while(disk, "keep", start, rng.uniform(0.05, 0.4))
        assert told, "nothing was kept before the cut"
        with Store(disk.at / "history.sqlite") as store:
            day = store.readings(SLOTS[3], 0, 4e9)
        there = {int(at - FIRST_S) for at in day.times_s}
        assert set(told) <= there
        assert there == set(range(max(there) + 1)), "one after the other, whether anybody was told of the last or not"
        expected = [((FIRST_S + i) * 7 + 3) % 1000 / 10 for i in sorted(there)]
        assert day.values.tolist() == expected
        start = max(there) + 1
    assert wreck.sound(disk.at / "history.sqlite") == ""


def test_no_reading_is_lost_or_doubled_by_a_power_cut_in_the_middle_of_a_fold(disk: disks.Disk, tmp_path: Path) -> None:
    history, filled = disk.at / "history.sqlite", tmp_path / "filled.sqlite"
    started(filled, "fill").wait()
    rng, in_the_middle = random.Random(2), 0
    for _ in range(TRIALS):
        for old in disk.at.glob("history.sqlite*"):
            old.unlink()
        history.write_bytes(filled.read_bytes())
        os.sync()
        told = cut_while(disk, "fold", 0, rng.uniform(0.0, 0.3))
        with Store(history) as store:
            in_the_middle += bool(store.to_fold(10**6, 0))
            for slot in (SLOTS[0], SLOTS[-1]):
                day = store.readings(slot, 0, 4e9)
                assert day.times_s.tolist() == [FIRST_S + 60 * i for i in range(3 * 1440)]
            left = {day for _, day in store.to_fold(10**6, 0)}
            assert not left & set(told)
            for one in store.to_fold(10**6, 0):
                store.fold(*one, 0)
            rolled = store.series(SLOTS[0], FIRST_S, FIRST_S + 3 * 86_400 - 1, 3)
            assert rolled.seen.tolist() == [1440] * 3
    assert in_the_middle


async def opened(folder: Path) -> Keeper:
    keeper = Keeper(folder / "history.sqlite", HandClock())
    await keeper.open()
    return keeper


async def test_a_full_disk_is_told_and_nothing_is_lost(disk: disks.Disk) -> None:
    keeper = await opened(disk.at)
    disk.fill()
    keeper.keep([a_round(FIRST_S + i) for i in range(20_000)])
    await keeper.flush()
    assert keeper.waiting == 20_000
    assert "full" in keeper.trouble
    assert keeper.trouble.endswith("make room on the disk, or give the history a larger quota (--history-gb)")
    disk.ease()
    await keeper.flush()
    assert (keeper.waiting, keeper.trouble) == (0, "")
    day = await keeper.ask(lambda store: store.readings(SLOTS[0], 0, 4e9))
    assert len(day) == 20_000
    await keeper.close()


async def test_a_disk_that_fills_up_in_the_middle_of_a_fold_changes_nothing(disk: disks.Disk) -> None:
    history = disk.at / "history.sqlite"
    started(history, "fill").wait()
    with Store(history) as store:
        (first, *_), before = store.to_fold(10**6, 0), store.readings(SLOTS[0], 0, 4e9)
        disk.fill()
        with pytest.raises(NotKept) as told:
            store.fold(*first, 0)
        assert told.value.reason == "full"
        after = store.readings(SLOTS[0], 0, 4e9)
        assert (after.times_s.tolist(), after.values.tolist()) == (before.times_s.tolist(), before.values.tolist())
        disk.ease()
        assert store.fold(*first, 0) == 1440
        assert store.readings(SLOTS[0], 0, 4e9).times_s.tolist() == before.times_s.tolist()


async def test_a_disk_that_becomes_read_only_is_told_and_written_when_it_is_not(disk: disks.Disk) -> None:
    keeper = await opened(disk.at)
    keeper.keep([a_round(FIRST_S)])
    await keeper.flush()
    disk.fail()
    keeper.keep([a_round(FIRST_S + 60)])
    await keeper.flush()
    assert keeper.trouble.endswith("the disk has become read-only, as a worn card does: replace it"), keeper.trouble
    day = await keeper.ask(lambda store: store.readings(SLOTS[0], 0, 4e9))
    assert day.times_s.tolist() == [FIRST_S]  # what is there can still be read
    await keeper.ask(lambda store: store.close())  # a file system is not checked while a file of it is open
    disk.repaired()
    await keeper.flush()
    assert (keeper.waiting, keeper.trouble) == (0, "")
    await keeper.close()


async def test_a_disk_that_goes_away_is_no_damage_and_comes_back(disk: disks.Disk) -> None:
    keeper = await opened(disk.at)
    keeper.keep([a_round(FIRST_S)])
    await keeper.flush()
    disk.cut()
    keeper.keep([a_round(FIRST_S + 60)])
    await keeper.flush()
    assert keeper.waiting == 1
    assert keeper.trouble.endswith("the disk does not answer: look at the card, its socket and its power"), (
        keeper.trouble
    )
    disk.again()
    await keeper.flush()
    assert (keeper.waiting, keeper.trouble) == (0, "")
    day = await keeper.ask(lambda store: store.readings(SLOTS[0], 0, 4e9))
    assert day.times_s.tolist() == [FIRST_S, FIRST_S + 60]
    assert not list(disk.at.glob("history-damaged-*"))
    await keeper.close()


@pytest.mark.parametrize("left", ["nothing", "a log", "a log without its index"])
async def test_a_read_only_disk_at_the_start_is_read_to_the_last_commit(disk: disks.Disk, left: str) -> None:
    history = disk.at / "history.sqlite"
    if left == "nothing":
        with Store(history) as store:
            store.note(1.0, "start", "farpole", "x")
    else:
        note = "import sys, os; from pathlib import Path; from monitor.history.store import Store; "
        note += "Store(Path(sys.argv[1])).note(1.0, 'start', 'farpole', 'x'); os._exit(0)"  # as when it is killed
        await asyncio.to_thread(subprocess.run, [sys.executable, "-c", note, str(history)], check=True)
    if left == "a log without its index":
        history.with_name("history.sqlite-shm").unlink()
    for how in ("read-only", "full"):
        disk.remount("ro") if how == "read-only" else disk.fill()
        keeper = await opened(disk.at)
        assert how in keeper.trouble or (how == "full" and not keeper.trouble)
        assert await keeper.ask(lambda store: store.notes("start")) == [(1.0, "farpole", "x")]
        await keeper.event(2.0, "start", "farpole", "y")
        with pytest.raises(NotKept, match=how):
            await keeper.ask(lambda store: store.note(3.0, "start", "farpole", "refused"))
        assert keeper.waiting == 1
        disk.remount("rw") if how == "read-only" else disk.ease()
        await keeper.flush()
        assert (keeper.waiting, keeper.trouble) == (0, "")
        told = await keeper.ask(lambda store: store.notes("start"))
        assert told == [(1.0, "farpole", "x"), (2.0, "farpole", "y")]
        await keeper.close()
        with Store(history) as store:
            store.rename([("farpole", "earlier")])  # so that the second turn finds what the first did
            assert len(store.notes("start")) == 2
            store._act(lambda connection: connection.exec_driver_sql("DELETE FROM event WHERE at_s > 1"))
            store.rename([("earlier", "farpole")])


async def test_a_history_in_a_folder_that_is_not_there_yet(disk: disks.Disk) -> None:
    """As where a disk is mounted only after farpole has started."""
    disk.remount("ro")
    keeper = Keeper(disk.at / "later" / "history.sqlite", HandClock(), None, None, Claim(disk.at / "later").take)
    await keeper.open()
    assert not keeper.readable
    assert keeper.trouble.startswith(f"{disk.at}/later/history.sqlite: the disk is read-only")
    with pytest.raises(NotKept, match="read-only"):
        await keeper.ask(lambda store: store.alarms())
    keeper.keep([a_round(FIRST_S)])
    await keeper.flush()
    assert keeper.waiting == 1
    disk.remount("rw")
    await keeper.close()
    with Store(disk.at / "later" / "history.sqlite") as store:
        assert len(store.readings(SLOTS[0], 0, 4e9)) == 1


def test_two_cannot_have_one_folder_on_any_disk(disk: disks.Disk) -> None:
    def refused(folder: Path) -> bool:
        other = Claim(folder)
        try:
            other.take()
        except BlockingIOError:
            return True
        finally:
            other.release()
        return False

    disk.fill()
    with held(disk.at):
        assert refused(disk.at)
    assert not refused(disk.at)
    disk.ease()
    with held(disk.at):
        disk.fail()  # it becomes read-only while it is held
        assert refused(disk.at)
    disk.repaired()
    disk.remount("ro")
    with held(disk.at):
        assert refused(disk.at)
    gone = Claim(disk.at / "gone")
    with pytest.raises(OSError, match="Read-only"):
        gone.take()
    gone.take_name()
    with pytest.raises(BlockingIOError):
        Claim(disk.at / "gone").take_name()
    assert runs_unheard(disk.at / "gone")
    gone.release()
    assert not runs_unheard(disk.at / "gone")


@pytest.mark.parametrize("how", ["full", "read-only"])
def test_what_a_start_writes_is_whole_or_not_there(disk: disks.Disk, how: str) -> None:
    """An empty key would let anybody sign; a count of starts that is cut would end the next start."""
    engine = own_engine(disk.at)
    disk.fill() if how == "full" else disk.remount("ro")
    with pytest.raises(OSError, match=r"No space|Read-only"):
        key_of(disk.at / "answer.key")
    assert not (disk.at / "answer.key").exists()
    assert own_engine(disk.at)[0] != engine[0], "under one ID the count of starts must never repeat (RFC 3414)"
    disk.ease() if how == "full" else disk.remount("rw")
    assert len(key_of(disk.at / "answer.key")) == 32
    assert own_engine(disk.at) == (engine[0], 2)
    assert sorted(one.name for one in disk.at.iterdir()) == ["answer.key", "engine", "lost+found"]


def test_no_ballast_is_laid_where_it_would_fill_the_disk(disk: disks.Disk) -> None:
    assert not ballast.lay(disk.at)
