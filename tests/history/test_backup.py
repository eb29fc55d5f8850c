import sqlite3
import threading
from pathlib import Path

import pytest

from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history import backup, restoring
from monitor.history.store import NotKept, Store

VOLTS = Slot("creek/switch", "input_volts")
LAYOUT = Layout("creek/switch", "measure", (VOLTS,))


def a_round(at_s: float) -> Round:
    one = Round.blank(LAYOUT, at_s, State.SILENT)
    one.put(0, 50.0)
    return one


def test_a_backup_is_made_while_rounds_go_on_and_is_of_one_moment(tmp_path: Path) -> None:
    history = tmp_path / "history.sqlite"
    store, stop = Store(history), threading.Event()

    def write() -> None:
        at_s = 1000
        while not stop.is_set():
            store.keep([a_round(at_s + i) for i in range(10)])  # ten of one moment, or none of them
            at_s += 10

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for i in range(3):
            made = backup.back_up(history, tmp_path / f"{i}.sqlite")
            assert made.rows["round_row"] % 10 == 0
    finally:
        stop.set()
        writer.join()
    store.close()
    with Store(tmp_path / "2.sqlite") as again:
        assert len(again.readings(VOLTS, 0, 1e9)) == made.rows["round_row"]


def test_a_damaged_backup_is_refused(tmp_path: Path) -> None:
    with Store(tmp_path / "history.sqlite") as store:
        store.keep([a_round(1000 + i) for i in range(5000)])
    backup.back_up(tmp_path / "history.sqlite", tmp_path / "b.sqlite")
    with (tmp_path / "b.sqlite").open("r+b") as opened:
        opened.seek(30 * 4096)
        opened.write(b"\xff" * 4096)
    with pytest.raises(NotKept, match="is damaged"):
        restoring.restore(tmp_path / "b.sqlite", tmp_path / "history.sqlite", tmp_path / "before.sqlite")
    assert not (tmp_path / "before.sqlite").exists()
    sqlite3.connect(tmp_path / "other.sqlite").execute("CREATE TABLE x (y)")
    with pytest.raises(NotKept, match="no history of farpole"):
        backup.verify(tmp_path / "other.sqlite")


def test_a_restored_history_is_the_old_one_and_what_was_there_is_kept(tmp_path: Path) -> None:
    history = tmp_path / "history.sqlite"
    with Store(history) as store:
        store.keep([a_round(1000)])
    backup.back_up(history, tmp_path / "b.sqlite")
    with Store(history) as store:
        store.keep([a_round(2000)])
    restoring.restore(tmp_path / "b.sqlite", history, tmp_path / "before.sqlite")
    with Store(history) as store:
        assert store.readings(VOLTS, 0, 1e9).times_s.tolist() == [1000]
    with Store(tmp_path / "before.sqlite") as store:
        assert store.readings(VOLTS, 0, 1e9).times_s.tolist() == [1000, 2000]


def test_no_half_made_file_is_left_where_there_is_no_room(tmp_path: Path) -> None:
    Store(tmp_path / "history.sqlite").close()
    with pytest.raises(NotKept, match="no backup of"):
        backup.back_up(tmp_path / "history.sqlite", tmp_path / "nowhere" / "b.sqlite")
    assert [f.name for f in tmp_path.iterdir()] == ["history.sqlite"]
