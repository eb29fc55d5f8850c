"""Disks that fill up, become read-only, go away and lose their power, on an ext4 of the test's own."""

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
from monitor.history import wreck
from monitor.history.store import NotKept, Store
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


def test_no_ballast_is_laid_where_it_would_fill_the_disk(disk: disks.Disk) -> None:
    assert not ballast.lay(disk.at)
