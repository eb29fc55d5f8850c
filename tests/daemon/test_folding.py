"""Days that are over are folded by the hour; a full disk gives back the ballast; a quota makes room by itself."""

import sqlite3
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from monitor.daemon import ballast
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.folding import Folding
from monitor.daemon.keeper import Keeper
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.store import NotKept

VOLTS = Slot("creek/switch", "input_volts")
LAYOUT = Layout("creek/switch", "measure", (VOLTS,))


def rounds(at_s: float, n: int, step_s: float = 60) -> list[Round]:
    made = []
    for i in range(n):
        one = Round.blank(LAYOUT, at_s + i * step_s, State.SILENT)
        one.put(0, 50.0)
        made.append(one)
    return made


@pytest.fixture
async def keeper(tmp_path: Path) -> AsyncIterator[Keeper]:
    opened = Keeper(tmp_path / "history.sqlite", HandClock())
    await opened.open()
    yield opened
    await opened.close()


async def test_what_is_over_is_folded_and_today_stays(design: Design, keeper: Keeper) -> None:
    clock = HandClock()
    now_s = clock.wall_s()
    keeper.keep(rounds(now_s - 3 * 86_400, 73, 3600))
    await keeper.flush()
    await Folding(design, keeper, clock).run()
    left = await keeper.ask(lambda store: len(store.to_fold(10**6, store.standard_offset(0))))
    assert left == 1  # today's
    day = await keeper.ask(lambda store: store.readings(VOLTS, 0, now_s))
    assert len(day) == 73


async def test_a_full_disk_gives_back_the_ballast_and_the_rounds_are_kept(
    keeper: Keeper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert (tmp_path / ballast.NAME).stat().st_blocks * 512 >= ballast.OCTETS
    write = Keeper._write

    async def writes_once_there_is_room(self: Keeper) -> None:
        if (tmp_path / ballast.NAME).exists():
            raise NotKept("history.sqlite: database or disk is full", "full")
        await write(self)

    monkeypatch.setattr(Keeper, "_write", writes_once_there_is_room)
    keeper.keep(rounds(1e9, 2))
    await keeper.flush()
    assert not (tmp_path / ballast.NAME).exists()
    assert (keeper.waiting, keeper.trouble) == (0, "")


async def test_what_cannot_be_kept_waits_and_the_owner_is_told_what_to_do(keeper: Keeper, tmp_path: Path) -> None:
    ballast.give_back(tmp_path)
    # A quota below what is there is what a full disk looks like from inside.
    await keeper.ask(lambda store: store._look(lambda c: c.exec_driver_sql("PRAGMA max_page_count=1")))
    keeper.keep(rounds(1e9, 20_000))
    await keeper.flush()
    assert keeper.waiting == 20_000
    assert keeper.trouble.endswith("make room on the disk, or give the history a larger quota (--history-gb)")
    await keeper.ask(lambda store: store._look(lambda c: c.exec_driver_sql("PRAGMA max_page_count=1000000")))
    await keeper.flush()
    assert (keeper.waiting, keeper.trouble) == (0, "")


async def test_at_the_quota_room_is_made_and_noted(design: Design, tmp_path: Path) -> None:
    clock = HandClock()
    keeper = Keeper(tmp_path / "history.sqlite", clock, quota_octets=330_000)
    await keeper.open()
    now_s = clock.wall_s()
    for day in range(300, 0, -1):
        keeper.keep(rounds(now_s - day * 86_400, 24, 3600))
    await keeper.flush()
    await Folding(design, keeper, clock).run()
    notes = await keeper.ask(lambda store: store.notes("thinned"))
    if await keeper.ask(lambda store: store.room()[0]) > 0.88 * 330_000:
        assert notes
    await keeper.ask(lambda store: store.note(0, "x", "y", "z"))
    await keeper.close()
    assert sqlite3.connect(tmp_path / "history.sqlite").execute("PRAGMA quick_check").fetchone() == ("ok",)


def test_the_quota_is_half_of_the_disk_unless_asked_for(tmp_path: Path) -> None:
    assert ballast.quota_octets(tmp_path, 2) == 2_000_000_000
    assert ballast.quota_octets(tmp_path, 0.001) == ballast.LEAST_QUOTA
    assert ballast.quota_octets(tmp_path, None) >= ballast.LEAST_QUOTA


async def test_every_folded_day_has_its_features_once(design: Design, keeper: Keeper) -> None:
    clock = HandClock()
    now_s = clock.wall_s()
    rx, warm = Slot("creek/optic/5", "rx_dbm"), Slot("creek/optic/5", "optic_c")
    layout = Layout("creek/switch", "light", (rx, warm))
    for i in range(72):
        one = Round.blank(layout, now_s - 3 * 86_400 + 3600 * i, State.SILENT)
        one.put(0, -7.0 - 0.01 * (i % 24))
        one.put(1, 20.0 + i % 24)
        keeper.keep([one])
    await keeper.flush()
    folding = Folding(design, keeper, clock)
    await folding.run()
    found = await keeper.ask(lambda store: store.features(rx))
    assert len(found) == 3
    assert found.n.tolist() == [24] * 3
    assert found.sxy / found.sxx == pytest.approx([-0.01] * 3, abs=1e-6)
    assert found.midmean == pytest.approx([-7.115] * 3, abs=0.01)
    assert await keeper.ask(lambda store: store.lacking(("rx_dbm",))) == []
    await folding.run()
    assert len(await keeper.ask(lambda store: store.features(rx))) == 3
