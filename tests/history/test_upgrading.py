"""Forward from every schema that there has been, with data of its own time; back where something fails."""

import gzip
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic import op

from monitor.alarms.settlement import Settlement
from monitor.facts.readings import Slot
from monitor.history import restoring, upgrading
from monitor.history.migrations import versions
from monitor.history.store import NotKept, Store

SCHEMAS = Path(__file__).parents[1] / "recordings" / "schemas"
T0 = 1_790_000_000.0
LIGHT = Slot("creek/optic/5", "rx_dbm")


def laid_out(schema: str, folder: Path) -> Path:
    """A history as the farpole of that schema wrote it: half an hour of creek, and an alarm."""
    file = folder / "history.sqlite"
    file.write_bytes(gzip.decompress((SCHEMAS / f"{schema}.sqlite.gz").read_bytes()))
    return file


def test_every_schema_has_its_fixture() -> None:
    revisions = {file.name[:4] for file in Path(versions.__file__).parent.glob("0*.py")}
    assert {file.name[:4] for file in SCHEMAS.glob("*.gz")} == revisions, "keep one of each, made by its own farpole"
    assert max(revisions) == upgrading.NEWEST


@pytest.mark.parametrize("schema", sorted(file.name[:4] for file in SCHEMAS.glob("*.gz")))
def test_forward_with_everything_in_it(schema: str, tmp_path: Path) -> None:
    file = laid_out(schema, tmp_path)
    with Store(file) as store:
        readings = store.readings(LIGHT, T0 - 1, T0 + 1800)
        assert readings.values.tolist() == pytest.approx([-7.0 - 0.01 * i for i in range(30)])
        [alarm] = store.alarms()
        assert (str(alarm.key), alarm.text, alarm.cleared) == ("creek pole-silent", "creek is silent", False)
        assert [change.what for change in store.changes(0.0)] == ["raised"]
    kept = list(tmp_path.glob(f"{upgrading.BEFORE}*"))
    assert [one.name for one in kept] == ([] if schema == upgrading.NEWEST else [f"{upgrading.BEFORE}{schema}.sqlite"])
    for one in kept:
        with closing(sqlite3.connect(one)) as old:
            assert old.execute("SELECT version_num FROM alembic_version").fetchone() == (schema,)
            assert old.execute("SELECT count(*) FROM round_row").fetchone() == (30,)


CUT = "gate: overloads are counted; shorts are counted"
HIDES = "yards is silent; not seen behind it: ridge, far.hill. Most likely the fibre is cut (82 %)."
TOGETHER = "supply/main is silent; not seen behind it: yards, creek"
LINES = {
    "creek/port/1": ("port-cut", "raised", CUT, ""),
    "yards": ("pole-silent", "cleared", HIDES, "it was the path: the switch ran on all the time"),
    "supply/main": ("supply-lost", "cleared", TOGETHER, "it was power or the switch itself: its uptime restarted"),
    "gone/port/2": ("port-cut", "cleared", "gate: it draws nothing", "no longer in the plan"),
}


def said_as_before(file: Path) -> None:
    """Put in rows as an early farpole wrote them, sentences alone."""
    with closing(sqlite3.connect(file)) as old, old:
        for number, (resource, (kind, what, text, note)) in enumerate(LINES.items(), 50):
            alarm = {
                "resource": resource,
                "type": kind,
                "qualifier": "",
                "severity": "major",
                "text": text,
                "id": number,
            }
            alarm |= {"cleared": what == "cleared", "operator": "none", "root": "", "impacted": "[]", "cause": ""}
            alarm |= {"settled": note, "raised_s": T0, "changed_s": T0 + 60, "times_raised": 1}
            change = {"id": 90 + number, "alarm": number, "at_s": T0 + 60, "what": what, "severity": "major"}
            change |= {"text": text, "who": "", "note": note, "raised_s": T0}
            for table, row in (("alarm", alarm), ("alarm_change", change)):
                marks = ", ".join("?" for _ in row)
                old.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", tuple(row.values()))


@pytest.mark.parametrize("schema", [f"000{number}" for number in range(1, 7)])
def test_what_an_early_farpole_only_said_becomes_facts(schema: str, tmp_path: Path) -> None:
    file = laid_out(schema, tmp_path)
    said_as_before(file)
    with Store(file) as store:
        alarms = {alarm.key.resource: alarm for alarm in store.alarms()}
        past = {change.key.resource: change for change in store.changes(0.0)}
    assert alarms["creek/port/1"].signs == {"shorts", "overloads"}, "it guards the port also after the upgrade"
    assert alarms["yards"].signs == alarms["gone/port/2"].signs == frozenset()
    settled = {resource: alarms[resource].settlement for resource in LINES}
    assert settled == {resource: past[resource].settlement for resource in LINES}
    assert list(settled.values()) == [Settlement.UNTOLD, Settlement.PATH, Settlement.POWER, Settlement.NOT_IN_PLAN]
    assert past["yards"].impacted == ("ridge", "far.hill")
    assert past["supply/main"].impacted == ("yards", "creek")
    assert past["creek/port/1"].impacted == past["creek"].impacted == ()
    assert {resource: past[resource].text for resource in LINES} == {r: line[2] for r, line in LINES.items()}


def test_a_migration_that_fails_leaves_the_old_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = laid_out("0001", tmp_path)
    real = op.add_column

    def fails(table: str, *rest: object, **more: object) -> None:
        if table == "alarm_change":
            raise sqlite3.OperationalError("disk I/O error")  # after other tables have been made and changed
        real(table, *rest, **more)  # type: ignore[arg-type]  # passed on as it came

    monkeypatch.setattr(op, "add_column", fails)
    with pytest.raises((NotKept, sqlite3.OperationalError)):
        Store(file)
    with closing(sqlite3.connect(file)) as old:
        assert old.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
        assert not old.execute("SELECT 1 FROM sqlite_master WHERE name = 'shelf'").fetchall()
        assert old.execute("SELECT count(*) FROM round_row").fetchone() == (30,)
    monkeypatch.undo()
    with Store(file) as store:
        assert len(store.alarms()) == 1


def test_a_history_of_a_newer_farpole_is_left_alone(tmp_path: Path) -> None:
    file = laid_out("0005", tmp_path)
    with closing(sqlite3.connect(file)) as newer:
        newer.execute("UPDATE alembic_version SET version_num = '0999'")
        newer.commit()
    with pytest.raises(NotKept, match="newer farpole"):
        Store(file)
    with pytest.raises(NotKept, match="schema 0999"):
        Store(file, read_only=True)


def test_an_older_one_that_is_only_read_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(NotKept, match="start farpole once"):
        Store(laid_out("0003", tmp_path), read_only=True)


def test_a_history_that_is_only_being_made_is_said_to_be_empty(tmp_path: Path) -> None:
    """Somebody asks while farpole starts for the first time: the file is there, its tables are not."""
    file = tmp_path / "history.sqlite"
    with closing(sqlite3.connect(file)) as made:
        made.execute("PRAGMA journal_mode=WAL")
    with pytest.raises(NotKept, match="nothing in it yet") as said:
        Store(file, read_only=True)
    assert said.value.reason == "empty"


@pytest.mark.parametrize("schema", sorted(file.name[:4] for file in SCHEMAS.glob("*.gz")))
def test_a_backup_of_every_schema_can_be_restored(schema: str, tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    file, history = laid_out(schema, tmp_path), tmp_path / "data" / "history.sqlite"
    restoring.restore(file, history, tmp_path / "data" / "before.sqlite")
    assert [one.name for one in history.parent.iterdir()] == ["history.sqlite"]
    with Store(history) as store:
        assert len(store.readings(LIGHT, T0 - 1, T0 + 1800)) == 30
