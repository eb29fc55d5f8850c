import socket
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.alarms.book import Alarm, Book, Condition, Key, operate, step
from monitor.alarms.evidence import Evidence
from monitor.alarms.messages import Message
from monitor.alarms.states import Operator, Severity
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.engine import patience
from monitor.history.store import NotKept, Store
from tests.alarms.causes import caused

RX, VOLTS = Slot("creek/optic/5", "rx_dbm"), Slot("creek/switch", "input_volts")
LAYOUT = Layout("creek/switch", "measure", (RX, VOLTS))
KEY = Key("creek", "pole-silent")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store(tmp_path / "history.sqlite")
    yield opened
    opened.close()


def a_round(at_s: float, rx_dbm: float, layout: Layout = LAYOUT) -> Round:
    readings = Round.blank(layout, at_s, State.SILENT)
    readings.put(0, rx_dbm)
    return readings


def alarm() -> tuple[Book, Alarm, list[object]]:
    cause = caused(Evidence("pole", False, 1.1, 0.0))
    signs = frozenset(("pole_silent", "link_down"))
    condition = Condition(KEY, Severity.CRITICAL, "creek is silent", impacted=("ridge",), cause=cause, signs=signs)
    book, changes = step(Book(), [condition], 100.0)
    return book, book.alarms[KEY], list(changes)


def message(kind: str = "callout") -> Message:
    return Message("jo", "phone", kind, "creek", "pole-silent", "subject", "body", 100.0, 130.0)  # type: ignore[arg-type]  # one of three words


def test_rounds_come_back_with_their_missing_kinds(store: Store) -> None:
    store.keep([a_round(1000.0, -7.0), a_round(1060.0, -7.5)])
    (newest,) = store.newest(0.0)
    assert newest.at_s == 1060.0
    assert newest.get(RX) == -7.5
    assert newest.states[1] == State.SILENT
    assert newest.layout == LAYOUT


def test_the_same_round_twice_is_kept_once_and_another_of_that_second_is_not_lost(store: Store) -> None:
    """As after a clock that was set back: no duplicate keys, and nothing that was read is lost."""
    store.keep([a_round(1000.0, -7.0)])
    store.keep([a_round(1000.0, -7.0)])
    store.keep([a_round(1000.0, -9.0), a_round(1000.0, -8.0)])
    day = store.readings(RX, 0, 2000)
    assert (day.times_s.tolist(), day.values.tolist()) == ([1000, 1001, 1002], [-7.0, -9.0, -8.0])


def test_a_round_of_the_second_that_another_was_moved_to_is_kept_too(any_store: Store) -> None:
    """Two rounds of one second, as when a notification has a place asked at once, and then one of the next second."""
    any_store.keep([a_round(1000.0, -7.0)])
    any_store.keep([a_round(1000.0, -9.0)])
    any_store.keep([a_round(1001.0, -8.0)])
    assert any_store.readings(RX, 0, 2000).values.tolist() == [-7.0, -9.0, -8.0]


def test_a_changed_layout_keeps_the_old_rows_readable(store: Store) -> None:
    store.keep([a_round(1000.0, -7.0)])
    store.keep([a_round(1060.0, -8.0, Layout("creek/switch", "measure", (RX,)))])
    (newest,) = store.newest(0.0)
    assert newest.layout.slots == (RX,)
    rows = sqlite3.connect(store.path).execute("SELECT count(*) FROM layout").fetchone()
    assert rows == (2,)


def test_a_round_row_id_is_seconds_and_slot(store: Store) -> None:
    store.keep([a_round(1000.7, -7.0)])
    ((row_id, slot),) = (
        sqlite3.connect(store.path).execute("SELECT r.id, s.id FROM round_row r, device_slot s").fetchall()
    )
    assert row_id == 1000 << 16 | slot


def test_an_alarm_comes_back_as_it_was(store: Store) -> None:
    book, kept, changes = alarm()
    store.record(changes)  # type: ignore[arg-type]  # changes of a step
    assert store.alarms() == [kept]
    _, change = operate(book, KEY, Operator.ACK, "jo", "on my way", 120.0)
    store.record([change])
    assert [(c.what, c.who, c.note) for c in store.changes(0.0)] == [("raised", "", ""), ("ack", "jo", "on my way")]
    assert store.alarms()[0].operator is Operator.ACK


def test_severities_are_kept_as_words(store: Store) -> None:
    store.record(alarm()[2])  # type: ignore[arg-type]  # changes of a step
    rows = sqlite3.connect(store.path).execute("SELECT severity FROM alarm UNION SELECT severity FROM alarm_change")
    assert rows.fetchall() == [("critical",)]


def test_a_message_waits_for_its_time_is_sent_once_and_then_told(store: Store) -> None:
    store.record([], [message()])
    assert store.due(129.0) == []
    (waiting,) = store.due(131.0)
    assert waiting.message == message()
    store.failed(waiting.id, "connection refused", 200.0)
    assert store.due(199.0) == []
    assert store.told() == {("jo", "creek pole-silent"): True}
    (again,) = store.due(201.0)
    assert again.attempts == 1
    store.went(again.id, 201.0)
    assert store.due(1e9) == []


def test_whoever_was_reminded_last_has_been_told(store: Store) -> None:
    """Else the all clear of an alarm that was reminded of would be lost by a restart."""
    for kind in ("callout", "reminder"):
        store.record([], [message(kind)])
        (waiting,) = store.due(1e9)
        store.went(waiting.id, 201.0)
    assert store.told() == {("jo", "creek pole-silent"): True}


def test_an_all_clear_never_overtakes_its_callout(store: Store) -> None:
    store.record([], [message()])
    store.failed(store.due(131.0)[0].id, "connection refused", 700.0)
    assert store.due(200.0) == []
    store.record([], [message("all clear")])
    assert [one.message.kind for one in store.due(200.0)] == ["callout", "all clear"]


def test_a_callout_that_has_not_left_is_withdrawn_when_its_alarm_clears(store: Store) -> None:
    book, _, changes = alarm()
    store.record(changes, [message()])  # type: ignore[arg-type]  # changes of a step
    _, cleared = step(book, [Condition(KEY, None)], 110.0)
    store.record(cleared)
    assert store.due(1e9) == []
    assert store.told() == {}


def test_a_callout_that_could_not_leave_stays_when_its_alarm_clears(store: Store) -> None:
    """A dead line must never lose a callout: it leaves later, with its age."""
    book, _, changes = alarm()
    store.record(changes, [message()])  # type: ignore[arg-type]  # changes of a step
    store.failed(store.due(131.0)[0].id, "connection refused", 135.0)
    _, cleared = step(book, [Condition(KEY, None)], 140.0)
    store.record(cleared)
    assert len(store.due(1e9)) == 1


def test_what_is_kept_survives_opening_again_and_the_schema_is_the_newest(store: Store) -> None:
    store.record(alarm()[2])  # type: ignore[arg-type]  # changes of a step
    store.close()
    again = Store(store.path)
    assert len(again.alarms()) == 1
    again.close()
    assert sqlite3.connect(store.path).execute("SELECT version_num FROM alembic_version").fetchone() == ("0007",)


def test_the_migrations_make_the_tables_that_the_code_knows(store: Store) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.runtime.migration import MigrationContext
    from sqlalchemy import create_engine

    from monitor.history.tables import meta

    with create_engine(f"sqlite:///{store.path}").connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), meta) == []


def test_pragmas_are_those_that_survived_power_cuts(store: Store) -> None:
    with store._engine.connect() as connection:
        values = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in ("journal_mode", "synchronous")
        }
    assert values == {"journal_mode": "wal", "synchronous": 2}


def test_reading_only_changes_nothing_and_works_beside_a_writer(store: Store) -> None:
    store.record(alarm()[2])  # type: ignore[arg-type]  # changes of a step
    looking = Store(store.path, read_only=True)
    assert len(looking.alarms()) == 1
    with pytest.raises(NotKept, match="readonly"):
        looking.note(0.0, "start", "farpole", "x")
    looking.close()


def test_a_file_that_is_no_database_is_said_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    path.write_bytes(b"not a database, but somebody's file" * 100)
    with pytest.raises(NotKept, match="not a database"):
        Store(path)
    assert path.read_bytes().startswith(b"not a database")


def test_a_server_that_says_nothing_is_not_waited_for() -> None:
    """Without a limit of ours libpq waits for as long as the kernel does: two hours."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port, began_s = server.getsockname()[1], time.monotonic()
        with pytest.raises(NotKept, match="timeout"):
            Store(f"postgresql+psycopg://history@127.0.0.1:{port}/farpole?connect_timeout=2")
        assert time.monotonic() - began_s < 6
    assert patience("postgresql+psycopg://history@db/farpole")["connect_timeout"] == 10
    assert patience("sqlite:///history.sqlite") == {}
