"""Readings out and in again; CSV as RFC 4180 has it, read back by Python's own reader, Parquet by pyarrow."""

import csv
import io
from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from pyarrow import parquet

from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history import files
from monitor.history.store import Store

VOLTS, LIGHT = Slot("creek/switch", "input_volts"), Slot("creek/optic/5", "rx_dbm")
LAYOUT = Layout("creek/switch", "measure", (VOLTS, LIGHT))
T0 = 1_790_000_000.0


@pytest.fixture
def filled(any_store: Store) -> Store:
    any_store.standard_offset(36_000)
    for i in range(100):
        one = Round.blank(LAYOUT, T0 + 60 * i, State.SILENT)
        if i % 10:
            one.put(0, 50 + i / 100)
        one.put(1, float("-inf") if i == 5 else -7 - i / 100)
        any_store.keep([one])
    return any_store


def rows_of(store: Store, points: int | None = None) -> list[dict[str, str]]:
    text = io.StringIO()
    names = files.READINGS if points is None else files.STRETCHES
    n = files.write_csv(files.table(store, [VOLTS, LIGHT], T0, T0 + 6000, points), names, text)
    rows = list(csv.DictReader(io.StringIO(text.getvalue())))
    assert len(rows) == n
    return rows


def test_every_reading_with_its_state_and_none_is_never_zero(filled: Store) -> None:
    rows = rows_of(filled)
    assert len(rows) == 200
    assert rows[0] == {
        "time": "2026-09-21T14:13:20Z",
        "resource": "creek/switch",
        "quantity": "input_volts",
        "unit": "volts",
        "value": "",
        "state": "silent",
    }
    assert (rows[1]["value"], rows[1]["state"]) == ("50.01", "seen")
    assert rows[105]["value"] == "-inf"


def test_stretches(filled: Store) -> None:
    first = rows_of(filled, 10)[0]
    assert (first["min"], first["max"], first["seen"], first["missed"]) == ("50.01", "50.09", "9", "1")


def test_parquet_holds_the_same(filled: Store, tmp_path: Path) -> None:
    out = tmp_path / "readings.parquet"
    n = files.write_parquet(files.table(filled, [VOLTS, LIGHT], T0, T0 + 6000, None), files.READINGS, out)
    table = parquet.read_table(out)
    assert table.num_rows == n == 200
    assert str(table.schema.field("time").type) == "timestamp[ms, tz=UTC]"
    assert table.column("value")[0].as_py() is None
    assert table.column("value")[1].as_py() == 50.01


def test_what_was_written_can_be_taken_in_elsewhere(filled: Store, tmp_path: Path) -> None:
    day = filled.readings(VOLTS, T0, T0 + 6000)
    file = tmp_path / "volts.csv"
    lines = [f"{at:.0f},{'' if np.isnan(v) else v}" for at, v in zip(day.times_s, day.values, strict=True)]
    file.write_text("when,volts\n" + "\n".join(lines) + "\n", encoding="utf-8")
    taken = files.read_csv(file, {"volts": VOLTS}, "when", UTC)
    with Store(tmp_path / "other.sqlite") as other:
        other.standard_offset(34_000)
        assert other.take_in(taken.series, 34_000) == 2  # midnight lies within
        assert other.take_in(taken.series, 34_000) == 2  # twice is once
        back = other.readings(VOLTS, T0, T0 + 6000)
    seen = day.states == State.SEEN
    assert back.times_s.tolist() == day.times_s[seen].tolist()
    assert back.values.tolist() == day.values[seen].tolist()


def test_taking_in_beside_what_is_there(filled: Store) -> None:
    """The readings that are there stay; those between them come in, on both databases, folded or not."""
    for slot, number in filled.to_fold(10**6, 36_000):
        filled.fold(slot, number, 36_000)
    between = files._day([T0 + 30, T0 + 90], [49.0, 48.0])
    filled.take_in({VOLTS: between}, 36_000)
    day = filled.readings(VOLTS, T0, T0 + 100)
    assert day.times_s.tolist() == [T0, T0 + 30, T0 + 60, T0 + 90]
    assert day.values.tolist()[1:] == [49.0, 50.01, 48.0]


def test_times_without_an_offset_are_in_the_zone_that_is_named(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("t,v\n2026-01-01T10:00,50\n2026-01-01T00:30:00+00:00,51\n", encoding="utf-8")
    taken = files.read_csv(file, {"v": VOLTS}, "t", ZoneInfo("Australia/Sydney"))
    assert taken.series[VOLTS].times_s.tolist() == [1_767_222_000.0, 1_767_227_400.0]  # 10:00 there is 23:00 UTC


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("t,v\nyesterday,50\n", "line 2: t: 'yesterday' is neither"),
        ("t,v\n1790000000,many\n", "line 2: v: 'many' is not a number"),
        ("t,v\n1790000000,50\n1790000060,5000000\n", "line 3: v: 5000000 is outside"),
        ("time,v\n1790000000,50\n", "line 1: there is no column t; its columns are time, v"),
    ],
)
def test_a_bad_table_is_refused_with_its_line(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "a.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(files.BadTable, match=words):
        files.read_csv(file, {"v": VOLTS}, "t", UTC)
