"""Damaged files: what SQLite refuses to read is put aside, and everything else is there again, once."""

import random
import sqlite3
from pathlib import Path

import pytest

from monitor.alarms.book import Book, Condition, Key, step
from monitor.alarms.states import Severity
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history import mending, wreck
from monitor.history.records import Repair
from monitor.history.store import NotKept, Store

VOLTS, LIGHT = Slot("creek/switch", "input_volts"), Slot("creek/optic/5", "rx_dbm")
LAYOUT = Layout("creek/switch", "measure", (VOLTS, LIGHT))
DAYS, A_DAY, OPEN = 6, 144, 2000
FIRST_S = 1_790_000_000 // 86_400 * 86_400


def a_round(at_s: float) -> Round:
    readings = Round.blank(LAYOUT, at_s, State.SILENT)
    rng = random.Random(int(at_s))
    readings.put(0, round(50 + rng.random(), 3))
    readings.put(1, round(-7 - rng.random(), 2))
    return readings


@pytest.fixture
def history(tmp_path: Path) -> Path:
    """Six folded days, two thousand rounds not folded yet, an alarm and a repair."""
    file = tmp_path / "history.sqlite"
    with Store(file) as store:
        store.standard_offset(0)
        for day in range(DAYS):
            store.keep([a_round(FIRST_S + day * 86_400 + i * 600) for i in range(A_DAY)])
        for slot, day in store.to_fold(FIRST_S // 86_400 + DAYS, 0):
            store.fold(slot, day, 0)
        store.keep([a_round(FIRST_S + DAYS * 86_400 + i * 30) for i in range(OPEN)])
        _, changes = step(Book(), [Condition(Key("creek", "pole-silent"), Severity.CRITICAL, "silent")], 100.0)
        store.record(changes)
        store.repaired(Repair(5.0, "creek", "jo", "cleaned the connector"))
    return file


def counted(store: Store) -> tuple[int, int]:
    return len(store.readings(VOLTS, 0, 4e9)), len(store.readings(LIGHT, 0, 4e9))


def brought_back(history: Path) -> tuple[Store, str]:
    aside = mending.put_aside(history, 2e9, "as the test says")
    store, words = Store(history), ""
    assert [file for file, _ in mending.waiting(store, history.parent)] == [aside]
    for one in mending.large(aside):
        if isinstance(one, str):
            words = one
        else:
            store.put_back(*one)
    return store, words


def damage(file: Path, octet: int, with_: bytes) -> None:
    with file.open("r+b") as opened:
        opened.seek(octet)
        opened.write(with_)


def leaves(file: Path, table: str) -> list[int]:
    """Pages of a table that are leaves (octet 0 is 13), found through its root page and the pages below it."""
    root = sqlite3.connect(file).execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0]
    raw, found, waiting = file.read_bytes(), [], [root]
    while waiting:
        page = waiting.pop()
        at = (page - 1) * 4096 + (100 if page == 1 else 0)
        if raw[at] == 13:
            found.append(page)
        elif raw[at] == 5:
            cells = int.from_bytes(raw[at + 3 : at + 5], "big")
            offsets = [int.from_bytes(raw[at + 12 + 2 * i : at + 14 + 2 * i], "big") for i in range(cells)]
            base = (page - 1) * 4096
            waiting += [int.from_bytes(raw[base + o : base + o + 4], "big") for o in offsets]
            waiting.append(int.from_bytes(raw[at + 8 : at + 12], "big"))
    return sorted(found)


def test_what_is_sound_is_found_sound(history: Path) -> None:
    assert wreck.sound(history) == ""


def test_an_intact_file_comes_back_whole_and_only_once(history: Path) -> None:
    store, words = brought_back(history)
    assert counted(store) == (DAYS * A_DAY + OPEN,) * 2
    assert [str(a.key) for a in store.alarms()] == ["creek pole-silent"]
    assert [c.what for c in store.changes(0)] == ["raised"]
    assert [r.text for r in store.repairs()] == ["cleaned the connector"]
    assert words == f"{2 * DAYS} days of a series and {OPEN} rounds were read again; nothing was lost"
    assert store.series(VOLTS, FIRST_S, FIRST_S + DAYS * 86_400 - 1, 3).seen.tolist() == [2 * A_DAY] * 3
    store.close()


@pytest.mark.parametrize("which", [0.0, 0.5, 1.0])
def test_a_damaged_page_costs_only_what_stood_on_it(history: Path, which: float) -> None:
    pages = leaves(history, "round_row")
    assert len(pages) > 10
    damage(history, (pages[int(which * (len(pages) - 1))] - 1) * 4096, b"\xff" * 4096)
    assert wreck.sound(history)
    store, words = brought_back(history)
    there = counted(store)[0]
    assert DAYS * A_DAY + OPEN * (1 - 2 / len(pages)) <= there < DAYS * A_DAY + OPEN
    assert f"not readable: rounds {'between' if which == 0.5 else 'after' if which else 'up to'} 2026-" in words
    store.close()


def test_two_damaged_pages_and_what_lies_between_them_is_kept(history: Path) -> None:
    pages = leaves(history, "round_row")
    for page in (pages[3], pages[-4]):
        damage(history, (page - 1) * 4096, b"\xff" * 4096)
    store, _ = brought_back(history)
    assert counted(store)[0] >= DAYS * A_DAY + OPEN * (1 - 4 / len(pages))
    store.close()


@pytest.mark.parametrize("octets", [16, 100])
def test_a_damaged_head_costs_nothing(history: Path, octets: int) -> None:
    damage(history, 0, b"\0" * octets)
    with pytest.raises(NotKept) as told:
        Store(history)
    assert told.value.reason == "damaged"
    store, words = brought_back(history)
    assert counted(store) == (DAYS * A_DAY + OPEN,) * 2
    assert words.endswith("nothing was lost")
    store.close()


def test_a_whole_first_page_that_is_lost_is_lent_by_a_fresh_history(history: Path) -> None:
    damage(history, 0, b"\0" * 4096)
    store, _ = brought_back(history)
    assert counted(store) == (DAYS * A_DAY + OPEN,) * 2
    store.close()


def test_taking_over_twice_changes_nothing_even_after_a_fold(history: Path) -> None:
    store, _ = brought_back(history)
    for slot, day in store.to_fold(FIRST_S // 86_400 + DAYS + 5, 0):
        store.fold(slot, day, 0)
    (aside,) = [file for file, _ in mending.waiting(store, history.parent)]
    for one in mending.large(aside):
        if not isinstance(one, str):
            store.put_back(*one)
    assert counted(store) == (DAYS * A_DAY + OPEN,) * 2
    for slot, day in store.to_fold(FIRST_S // 86_400 + DAYS + 5, 0):
        store.fold(slot, day, 0)
    assert counted(store) == (DAYS * A_DAY + OPEN,) * 2
    store.note(1.0, "mended", aside.name, "done")
    assert mending.waiting(store, history.parent) == []
    store.close()


def test_names_that_are_lost_are_not_given_to_others(history: Path) -> None:
    (page,) = leaves(history, "series")
    damage(history, (page - 1) * 4096, b"\xff" * 4096)
    store, _ = brought_back(history)
    other = Layout("yards/switch", "measure", (Slot("yards/switch", "input_volts"),))
    one = Round.blank(other, 2e9, State.SILENT)
    one.put(0, 48.0)
    store.keep([one])
    assert store.readings(Slot("yards/switch", "input_volts"), 0, 4e9).values.tolist() == [48.0]
    store.close()


def test_a_putting_aside_that_was_cut_is_finished(history: Path) -> None:
    aside = history.with_name(f"{mending.PREFIX}20330518T033320Z.sqlite")
    with Store(history.with_name("history.sqlite.fresh")) as fresh:
        fresh.note(1.0, "quarantined", aside.name, "a test")
    history.rename(aside)
    history.with_name("history.sqlite-wal").write_bytes(b"of the damaged one")
    mending.finish(history)
    with Store(history) as store:
        assert [file for file, _ in mending.waiting(store, history.parent)] == [aside]
    assert aside.with_name(f"{aside.name}-wal").read_bytes() == b"of the damaged one"
