"""A damaged history is found, put aside and brought back by the daemon; rounds of a wrong clock get their time."""

import time
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from monitor.daemon import clock as clocks
from monitor.daemon.clock import HandClock, SystemClock
from monitor.daemon.keeper import Keeper
from monitor.daemon.mending import Mending
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.store import Store

VOLTS = Slot("creek/switch", "input_volts")
LAYOUT = Layout("creek/switch", "measure", (VOLTS,))


def rounds(at_s: float, n: int) -> list[Round]:
    made = []
    for i in range(n):
        one = Round.blank(LAYOUT, at_s + 60 * i, State.SILENT)
        one.put(0, 50.0 + i % 5)
        made.append(one)
    return made


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
async def keeper(tmp_path: Path, clock: HandClock) -> AsyncIterator[Keeper]:
    with Store(tmp_path / "history.sqlite") as store:
        store.keep(rounds(1_789_000_000, 5000))
    opened = Keeper(tmp_path / "history.sqlite", clock)
    await opened.open()
    yield opened
    await opened.close()


def damage(file: Path, page: int) -> None:
    with file.open("r+b") as opened:
        opened.seek((page - 1) * 4096)
        opened.write(b"\xff" * 4096)


async def test_a_sound_history_is_left_alone(keeper: Keeper, clock: HandClock) -> None:
    mending = Mending(keeper, clock)
    await mending.run()
    assert mending.trouble == ""
    assert len(await keeper.ask(lambda store: store.readings(VOLTS, 0, 4e9))) == 5000


async def test_damage_is_found_after_the_start_and_rounds_go_on(keeper: Keeper, clock: HandClock) -> None:
    damage(keeper.path, 60)
    mending = Mending(keeper, clock)
    keeper.keep(rounds(clock.wall_s(), 10))
    await mending.run()
    await keeper.flush()
    assert (keeper.waiting, keeper.trouble) == (0, "")
    found = len(await keeper.ask(lambda store: store.readings(VOLTS, 0, 4e9)))
    assert 4800 < found < 5010
    aside = next(keeper.folder.glob("history-damaged-*.sqlite"))
    assert mending.trouble.startswith(f"{aside} was damaged (")
    assert "not readable: rounds between 2026-09-" in mending.trouble
    assert mending.trouble.endswith("delete what you do not need any more")
    for one in keeper.folder.glob("history-damaged-*"):
        one.unlink()
    await mending.run()
    assert mending.trouble == ""


async def test_damage_that_shows_while_it_runs(keeper: Keeper, clock: HandClock) -> None:
    """The page that the next round goes to: writing fails, and goes on in a fresh file with the first try."""
    pages = keeper.path.stat().st_size // 4096
    for page in range(30, pages + 1):
        damage(keeper.path, page)
    keeper.keep(rounds(clock.wall_s(), 3))
    await keeper.flush()
    assert (keeper.waiting, keeper.trouble) == (0, "")
    assert list(keeper.folder.glob("history-damaged-*.sqlite"))
    mending = Mending(keeper, clock)
    await mending.run()
    there = await keeper.ask(lambda store: store.readings(VOLTS, 0, 4e9))
    assert there.times_s.tolist()[-3:] == [clock.wall_s() + 60 * i for i in range(3)]


async def test_a_head_that_is_damaged_at_the_start(tmp_path: Path, clock: HandClock) -> None:
    with Store(tmp_path / "history.sqlite") as store:
        store.keep(rounds(1_789_000_000, 5000))
    with (tmp_path / "history.sqlite").open("r+b") as opened:
        opened.write(b"\0" * 100)
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    mending = Mending(keeper, clock)
    await mending.run()
    assert "5000 rounds were read again; nothing was lost" in mending.trouble
    assert len(await keeper.ask(lambda store: store.readings(VOLTS, 0, 4e9))) == 5000
    await keeper.close()


async def test_a_log_that_is_damaged_at_the_start_is_mended_and_told(
    tmp_path: Path, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = Store(tmp_path / "live.sqlite")
    for one in rounds(1_789_000_000, 40):
        live.keep([one])
    for suffix in ("", "-wal"):
        (tmp_path / f"history.sqlite{suffix}").write_bytes((tmp_path / f"live.sqlite{suffix}").read_bytes())
    live.close()
    log = tmp_path / "history.sqlite-wal"
    raw = bytearray(log.read_bytes())
    raw[32 + len(raw) // 4120 // 2 * 4120 + 24 + 3000] ^= 1
    log.write_bytes(raw)
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    mending = Mending(keeper, clock)
    await mending.run()
    assert "is a log of the history with damaged pages; they have been mended" in mending.trouble
    assert len(await keeper.ask(lambda store: store.readings(VOLTS, 0, 4e9))) == 40
    await keeper.close()


# ---- the clock


async def test_rounds_of_a_clock_that_is_not_trusted_get_the_time_that_they_had(tmp_path: Path) -> None:
    """A box without a battery for its clock: it starts in 1970, and is set right after three minutes."""
    clock = HandClock(wall_s=60.0)
    clock.trust = False
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    for _ in range(3):
        keeper.keep(rounds(clock.wall_s(), 1))
        await keeper.flush()
        await clock.turn(60)
    assert await keeper.ask(lambda store: store.untimed()) == 3
    keeper.keep(rounds(clock.wall_s(), 1))  # not written yet when the clock is set
    right_s = 1_790_000_000.0
    clock.set_wall(right_s)
    clock.trust = True
    keeper.keep(rounds(clock.wall_s() + 5, 1))
    await keeper.flush()
    day = await keeper.ask(lambda store: store.readings(VOLTS, 0, 4e9))
    assert day.times_s.tolist() == [right_s - 180, right_s - 120, right_s - 60, right_s, right_s + 5]
    assert await keeper.ask(lambda store: store.untimed()) == 0
    await keeper.close()


async def test_the_same_after_farpole_itself_was_started_again(tmp_path: Path) -> None:
    clock = HandClock(wall_s=60.0)
    clock.trust = False
    for _ in range(2):
        keeper = Keeper(tmp_path / "history.sqlite", clock)
        await keeper.open()
        keeper.keep(rounds(clock.wall_s(), 1))
        await keeper.close()
        await clock.turn(60)
    clock.set_wall(1_790_000_000.0)
    clock.trust = True
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    await keeper.flush()
    day = await keeper.ask(lambda store: store.readings(VOLTS, 0, 4e9))
    assert day.times_s.tolist() == [1_790_000_000.0 - 120, 1_790_000_000.0 - 60]
    await keeper.close()


def test_when_the_machine_s_clock_is_trusted(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    now = {"wall": clocks.BUILT_S + 10, "monotonic": 30.0, "unsynchronised": True}
    monkeypatch.setattr(time, "time", lambda: now["wall"])
    monkeypatch.setattr(time, "monotonic", lambda: now["monotonic"])
    monkeypatch.setattr(clocks, "unsynchronised", lambda: now["unsynchronised"])
    monkeypatch.setattr(clocks, "_TIME_SERVICES", (str(tmp_path),))
    clock = SystemClock()
    assert not clock.trusted()
    now["unsynchronised"] = False
    assert clock.trusted()
    now |= {"unsynchronised": True, "monotonic": 601.0}
    assert clock.trusted(), "after ten minutes the clock is all there is"
    now["wall"] = clocks.BUILT_S - 1
    assert not clock.trusted(), "no farpole is older than its own build"
    now |= {"wall": clocks.BUILT_S + 10, "monotonic": 30.0}
    monkeypatch.setattr(clocks, "_TIME_SERVICES", (str(tmp_path / "none"),))
    assert clock.trusted(), "without a time service nobody will ever set it"
    assert isinstance(clocks.unsynchronised(), bool)
