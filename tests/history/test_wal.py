"""Flips in SQLite's own logs: SQLite itself is what the mended log is read by."""

import random
import sqlite3
from pathlib import Path

import pytest

from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history import wal
from monitor.history.store import Store

VOLTS = Slot("creek/switch", "input_volts")
LAYOUT = Layout("creek/switch", "measure", (VOLTS,))
N = 60


def a_round(at_s: float) -> Round:
    readings = Round.blank(LAYOUT, at_s, State.SILENT)
    readings.put(0, 50.0 + at_s % 7)
    return readings


@pytest.fixture
def cut(tmp_path: Path) -> Path:
    """A history as a power cut leaves it: with its log beside it, and N rounds in the log only."""
    store = Store(tmp_path / "live.sqlite")
    for i in range(N):
        store.keep([a_round(1000.0 + 60 * i)])
    for suffix in ("", "-wal"):
        (tmp_path / f"cut.sqlite{suffix}").write_bytes((tmp_path / f"live.sqlite{suffix}").read_bytes())
    store.close()
    return tmp_path / "cut.sqlite"


def kept(history: Path) -> int:
    with Store(history) as store:
        return len(store.readings(VOLTS, 0, 1e6))


def log_of(history: Path) -> Path:
    return history.with_name(history.name + "-wal")


def test_a_whole_log_is_left_alone(cut: Path) -> None:
    before = log_of(cut).read_bytes()
    assert wal.mend(log_of(cut), cut.with_name("copy")) is None
    assert log_of(cut).read_bytes() == before
    assert not cut.with_name("copy").exists()


def test_a_torn_end_is_nothing_wrong(cut: Path) -> None:
    raw = log_of(cut).read_bytes()
    log_of(cut).write_bytes(raw[: len(raw) - 1000])
    assert wal.mend(log_of(cut), cut.with_name("copy")) is None
    assert kept(cut) == N - 1


def test_a_flip_drops_what_follows_and_mending_brings_it_back(cut: Path) -> None:
    """Without mending, SQLite says nothing and has lost half of the rounds: shown first."""
    raw = bytearray(log_of(cut).read_bytes())
    frames = (len(raw) - 32) // 4120
    at = 32 + (frames // 2) * 4120 + 24 + 2000
    raw[at] ^= 0x10
    log_of(cut).write_bytes(raw)
    bare = cut.with_name("bare.sqlite")
    bare.write_bytes(cut.read_bytes())
    log_of(bare).write_bytes(raw)
    assert kept(bare) < N * 0.7

    found = wal.mend(log_of(cut), cut.with_name("copy"))
    assert found is not None
    assert (found.damaged, found.copy.read_bytes()) == (1, bytes(raw))
    assert kept(cut) == N
    assert sqlite3.connect(cut).execute("PRAGMA quick_check").fetchone() == ("ok",)


@pytest.mark.parametrize("field", ["number", "commit", "salt", "sum"])
def test_a_flip_in_the_head_of_a_frame(cut: Path, field: str) -> None:
    raw = bytearray(log_of(cut).read_bytes())
    frames = (len(raw) - 32) // 4120
    raw[32 + (frames // 2) * 4120 + {"number": 0, "commit": 4, "salt": 8, "sum": 16}[field]] ^= 0x20
    log_of(cut).write_bytes(raw)
    assert wal.mend(log_of(cut), cut.with_name("copy")) is not None
    assert kept(cut) >= N - 1
    assert sqlite3.connect(cut).execute("PRAGMA quick_check").fetchone() == ("ok",)


def test_no_flip_costs_more_than_one_round_and_none_gives_a_wrong_one(cut: Path) -> None:
    raw, rng = log_of(cut).read_bytes(), random.Random(5)
    lost = []
    for trial in range(40):
        flipped, history = bytearray(raw), cut.with_name(f"{trial}.sqlite")
        flipped[rng.randrange(32 + 2 * 4120, len(raw) - 2 * 4120)] ^= 1 << rng.randrange(8)
        history.write_bytes(cut.read_bytes())
        log_of(history).write_bytes(flipped)
        wal.mend(log_of(history), cut.with_name("copy"))
        with Store(history) as store:
            day = store.readings(VOLTS, 0, 1e6)
        assert all(value == 50.0 + at % 7 for at, value in zip(day.times_s, day.values, strict=True))
        lost.append(N - len(day))
    assert max(lost) <= 1, lost
