"""Random damage anywhere in the file, and a death in the middle of mending: only the rows that were hit are lost.

Which rows are hit is told by the file as it was: where the octets of a row stand in it is looked up by the row's own
octets, not by any page's directory, so that the reference shares nothing with the code that reads damaged pages.
"""

import os
import random
import re
import signal
import sqlite3
import struct
import subprocess
import sys
import zlib
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from monitor.alarms.book import Book, Condition, Key, step
from monitor.alarms.states import Severity
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history import mending, wreck
from monitor.history.pages import Pages
from monitor.history.records import Repair
from monitor.history.store import Store

HIT = 64
"""Octets."""
POLES, DAYS, A_DAY, OPEN = 6, 12, 48, 1500
FIRST_S = 1_790_000_000 // 86_400 * 86_400
LARGE = ("round_row", "day_block", "rollup_day")
SMALL = ("series", "device_slot", "layout", "alarm", "alarm_change", "repair", "event", "setting")
Key_ = tuple[str, tuple[Any, ...]]
"""A table and the primary key of a row."""
KEYS = {"rollup_day": 2}
Rows = dict[Key_, tuple[Any, ...]]


def rounds(layout: Layout, at_s: float, rng: random.Random) -> Round:
    one = Round.blank(layout, at_s, State.SILENT)
    for i in range(len(layout.slots)):
        one.put(i, round(40 + 10 * rng.random(), 2))
    return one


def rows_of(file: Path) -> Rows:
    """Every row of the tables that count, by sqlite3."""
    with closing(sqlite3.connect(file)) as connection:
        return {
            (table, row[: KEYS.get(table, 1)]): row
            for table in (*LARGE, *SMALL)
            for row in connection.execute(f"SELECT * FROM {table}")
        }


def stretches(raw: bytes, rows: Rows) -> dict[Key_, list[tuple[int, int]]]:
    """Where each row's octets stand in the file, by a part of it that occurs nowhere else."""
    found: dict[Key_, list[tuple[int, int]]] = {}
    for key, row in rows.items():
        if key[0] in ("round_row", "day_block"):
            parts, around = [row[1]], 20
        elif key[0] == "rollup_day":
            parts, around = [struct.pack(">d", one) for one in row[3:7] if not one.is_integer()], 60
        else:
            texts = [one for one in row if isinstance(one, str) and len(one) > 3]
            parts, around = [max(texts, key=len).encode() if texts else row[-1]], 150
        places = [
            (one.start() - around, one.end() + around) for part in parts for one in re.finditer(re.escape(part), raw)
        ]
        assert places, key
        found[key] = places
    return found


@dataclass(frozen=True)
class Whole:
    raw: bytes
    rows: Rows
    where: dict[Key_, list[tuple[int, int]]]
    ever: dict[int, bytes]
    """Every round that was ever kept, also those that have been folded since."""

    def hit(self, hits: list[int]) -> set[Key_]:
        """Rows some of whose octets, or of a copy of theirs, are among the damaged ones."""
        return {
            key
            for key, places in self.where.items()
            if any(begin < at + HIT and at < end for begin, end in places for at in hits)
        }


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Whole:
    """Twelve folded days of six poles, rounds that are not folded, alarms, repairs and events."""
    file, rng = tmp_path_factory.mktemp("whole") / "history.sqlite", random.Random(1)
    layouts = [
        Layout(f"pole-{i}/switch", "measure", tuple(Slot(f"pole-{i}/port/{n}", "port_watts") for n in range(8)))
        for i in range(POLES)
    ]
    with Store(file) as store:
        store.standard_offset(0)
        for day in range(DAYS):
            at_s = FIRST_S + day * 86_400
            store.keep([rounds(one, at_s + n * 1800, rng) for n in range(A_DAY) for one in layouts])
        with closing(sqlite3.connect(file)) as connection:
            ever = dict(connection.execute("SELECT id, blob FROM round_row").fetchall())
        for slot, day in store.to_fold(FIRST_S // 86_400 + DAYS, 0):
            store.fold(slot, day, 0)
        store.keep([rounds(layouts[n % POLES], FIRST_S + DAYS * 86_400 + n * 40, rng) for n in range(OPEN)])
        book = Book()
        for i in range(60):
            condition = Condition(Key(f"pole-{i}", "pole-silent"), Severity.CRITICAL, f"the pole {i} is silent")
            book, changes = step(book, [condition], FIRST_S + i)
            store.record(changes)
            store.repaired(Repair(FIRST_S + i, f"pole-{i}", "jo", f"cleaned connector number {i:05}"))
            store.note(FIRST_S + i, "station", f"pole-{i}/port/1", f"00:00:5e:00:53:{i:02x}")
    raw, rows = file.read_bytes(), rows_of(file)
    return Whole(raw, rows, stretches(raw, rows), ever)


def mended(raw: bytes, folder: Path, dies_after: int | None = None) -> tuple[Rows, int]:
    """The rows after all of it has been brought back, and how many were left out. Dies and starts again on the way."""
    file = folder / "history.sqlite"
    file.write_bytes(raw)
    mending.put_aside(file, 2e9, "as the test says")
    left_out = 0
    for attempt in (None,) if dies_after is None else (dies_after, None):
        with Store(file) as store:
            ((aside, _),) = mending.waiting(store, folder)
            left_out = mending.left_out(store, aside)
            for n, one in enumerate(mending.large(aside)):
                if n == attempt:
                    break
                if not isinstance(one, str):
                    left_out += store.put_back(*one)
    assert wreck.sound(file) == ""
    return rows_of(file), left_out


def without(rows: Rows, names: Rows) -> set[Key_]:
    """Rows that refer to a name that is not there."""

    def there(table: str, number: int) -> bool:
        return (table, (number,)) in names

    found = set()
    for key, row in rows.items():
        if key[0] == "round_row":
            (layout,) = struct.unpack("<I", zlib.decompress(row[1])[:4])
            lost = not there("device_slot", row[0] & 0xFFFF) or not there("layout", layout)
        elif key[0] in ("day_block", "rollup_day"):
            lost = not there("series", row[0] & 0xFFFFFF if key[0] == "day_block" else row[1])
        elif key[0] == "alarm_change":
            lost = not there("alarm", row[1])
        else:
            lost = False
        if lost:
            found.add(key)
    return found


DAMAGE = st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 2**32)), min_size=1, max_size=3)


@settings(
    max_examples=10,
    derandomize=True,  # the same damage in each run: an example takes seconds on a busy machine
    phases=(Phase.explicit, Phase.generate, Phase.shrink),  # to explain a failure takes longer than a test may
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(damage=DAMAGE, dies_after=st.none() | st.integers(0, 3))
def test_only_the_rows_that_were_hit_are_lost_and_none_is_wrong(
    whole: Whole, damage: list[tuple[float, int]], dies_after: int | None
) -> None:
    raw, hits = bytearray(whole.raw), []
    for share, seed in damage:
        at = int(share * (len(raw) - HIT))
        raw[at : at + HIT] = random.Random(seed).randbytes(HIT)
        hits.append(at)
    with TemporaryDirectory() as folder:
        found, _ = mended(bytes(raw), Path(folder), dies_after)
    hit = whole.hit(hits)
    for key, row in whole.rows.items():
        if key in hit or key in without({key: row}, found):
            continue
        assert found.get(key) == row, f"{key} was not hit"
    for key, row in found.items():
        if key[0] in LARGE and key in whole.rows:
            assert row == whole.rows[key], f"{key} is another than it was"
        folded = key[0] == "round_row" and whole.ever.get(row[0]) == row[1]
        assert key[0] not in LARGE or key in whole.rows or folded, f"{key} was never there"


MENDS = """
import sys
from pathlib import Path
from monitor.history import mending, wreck
from monitor.history.store import Store
wreck.BATCH = 100
file = Path(sys.argv[1])
if not list(file.parent.glob("history-damaged-*.sqlite")):
    print("putting aside", flush=True)
    mending.put_aside(file, 2e9, "as the test says")
with Store(file) as store:
    for aside, _ in mending.waiting(store, file.parent):
        for one in mending.large(aside):
            if not isinstance(one, str):
                store.put_back(*one)
            print("batch", flush=True)
        store.note(2e9, "mended", aside.name, "done")
"""


@pytest.mark.parametrize("lines", [1, 2, 9, 21])
def test_a_process_that_is_killed_while_it_mends_goes_on_at_the_next_start(
    whole: Whole, tmp_path: Path, lines: int
) -> None:
    """SIGKILL after so many lines: while the small tables are taken over, or between two batches of the large ones."""
    file, at = tmp_path / "history.sqlite", 40 * 4096 + 3000
    raw = bytearray(whole.raw)
    raw[at : at + HIT] = random.Random(9).randbytes(HIT)
    file.write_bytes(raw)
    with subprocess.Popen([sys.executable, "-c", MENDS, file], stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        for _ in range(lines):
            assert running.stdout.readline()
        os.kill(running.pid, signal.SIGKILL)
    assert running.returncode == -signal.SIGKILL
    mending.finish(file)  # as a start does
    subprocess.run([sys.executable, "-c", MENDS, file], check=True, stdout=subprocess.DEVNULL)
    found, hit = rows_of(file), whole.hit([at])
    assert hit, "the damage is somewhere"
    assert {key: found.get(key) for key in whole.rows if key not in hit} == {
        key: row for key, row in whole.rows.items() if key not in hit
    }
    with Store(file) as store:
        assert mending.waiting(store, tmp_path) == []


def changed(whole: Whole, part: bytes, into: bytes) -> bytes:
    assert len(part) == len(into)
    assert part in whole.raw
    return whole.raw.replace(part, into)


@pytest.mark.parametrize(
    ("table", "what"), [("round_row", "blob"), ("day_block", "blob"), ("alarm", "text"), ("round_row", "slot")]
)
def test_a_row_that_cannot_be_right_is_left_out_and_counted(
    whole: Whole, tmp_path: Path, table: str, what: str
) -> None:
    key, row = next((key, row) for key, row in whole.rows.items() if key[0] == table)
    if what == "blob":
        raw = changed(whole, row[1], row[1][:20] + bytes((row[1][20] ^ 1,)) + row[1][21:])
    elif what == "text":
        raw = changed(whole, b"the pole 0 is silent", b"the pole \xff is silent")
    else:  # its last octet is the slot's: another device's number, which has other series
        at = whole.raw.find(row[1])
        size = 3 if len(row[1]) * 2 + 12 < 128 else 4
        assert whole.raw[at - size - 1] == row[0] & 0x7F
        octet = bytes((row[0] & 0x7F ^ 3,))
        raw = whole.raw[: at - size - 1] + octet + whole.raw[at - size :]
    found, left_out = mended(raw, tmp_path)
    assert key not in found
    assert left_out > 0
    assert len(found) >= len(whole.rows) - 2, "one alarm, and its change"


def test_daily_figures_that_were_changed_are_made_again_from_their_block(whole: Whole, tmp_path: Path) -> None:
    key, row = next((key, row) for key, row in whole.rows.items() if key[0] == "rollup_day")
    mean = struct.pack(">d", row[4])
    found, _ = mended(changed(whole, mean, mean[:6] + bytes((mean[6] ^ 1, mean[7]))), tmp_path)
    assert found[key] == row


def test_names_are_read_from_their_index_where_their_own_page_is_gone(whole: Whole, tmp_path: Path) -> None:
    (tmp_path / "whole").write_bytes(whole.raw)
    pages = Pages(tmp_path / "whole")
    raw = bytearray(whole.raw)
    for kind, table, root in pages.roots():
        if kind == "table" and table in ("series", "device_slot", "layout"):
            raw[(root - 1) * 4096 : root * 4096] = b"\xff" * 4096
    pages.close()
    found, _ = mended(bytes(raw), tmp_path)
    names = {key for key in whole.rows if key[0] in (*LARGE, "series", "device_slot", "layout")}
    assert {key for key in names if key not in found} == set()


def test_a_page_that_nothing_leads_to_any_more_is_read_all_the_same(whole: Whole, tmp_path: Path) -> None:
    """Every page of a table's tree that only leads to others."""
    raw = bytearray(whole.raw)
    interior = [at for at in range(4096, len(raw), 4096) if raw[at] in (2, 5)]
    assert interior
    for at in interior:
        if raw[at] == 5:
            raw[at : at + 4096] = b"\xff" * 4096
    found, _ = mended(bytes(raw), tmp_path)
    assert {key for key in whole.rows if key[0] in LARGE and found.get(key) != whole.rows[key]} == set()
