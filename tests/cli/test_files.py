import csv
import io
from pathlib import Path

import pytest

from monitor.cli.main import BAD_INPUT, FAILED, OK, main
from monitor.daemon.lock import HISTORY, held
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.store import Store

VOLTS = Slot("creek/switch", "input_volts")
LAYOUT = Layout("creek/switch", "measure", (VOLTS,))


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    with Store(folder / HISTORY) as store:
        store.standard_offset(0)
        for i in range(48):
            one = Round.blank(LAYOUT, 1_790_000_000 + 3600 * i, State.SILENT)
            one.put(0, 50 + i / 10)
            store.keep([one])
    return folder


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = main(list(words))
    said = capsys.readouterr()
    return status, said.out, said.err


def test_export_lists_writes_every_reading_and_stretches(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "export", "--list", "--data", str(data))[1] == "creek/switch:input_volts\n"
    words = ("export", "--data", str(data), "--from", "2026-09-21T14:00Z", "--to", "2026-09-23T14:30Z")
    status, out, _ = run(capsys, *words)
    assert status == OK
    rows = list(csv.DictReader(io.StringIO(out)))
    assert (len(rows), rows[0]["value"], rows[0]["time"]) == (48, "50.0", "2026-09-21T14:13:20Z")
    _, out, _ = run(capsys, *words, "--series", "creek/switch:input_volts", "--points", "2")
    assert [row["seen"] for row in csv.DictReader(io.StringIO(out))] == ["25", "23"]
    table = data / "r.parquet"
    status, out, _ = run(capsys, *words, "--out", str(table))
    assert (status, out) == (OK, f"{table}: 48 rows of 1 series\n")
    assert table.read_bytes()[:4] == b"PAR1"


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--series", "creek/switch:volts"), "is no RESOURCE:QUANTITY"),
        (("--series", "yards/switch:input_volts"), "the history has no yards/switch:input_volts"),
        (("--from", "last week"), "'last week' is no time"),
        (("--from", "1h", "--to", "2h"), "is not before"),
        (("--format", "parquet"), "name a file by --out"),
    ],
)
def test_what_export_cannot_do_is_said(
    data: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...], words: str
) -> None:
    status, out, err = run(capsys, "export", "--data", str(data), *more)
    assert (status, out) == (BAD_INPUT, "")
    assert words in err


def test_import_takes_readings_in_and_all_or_nothing(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = data / "old.csv"
    file.write_text("when,volts\n2025-01-01T00:00Z,48.5\n2025-01-01T01:00Z,\n2025-01-02T00:00Z,49\n")
    words = ("import", str(file), "--data", str(data), "--time", "when", "--map", "volts=creek/switch:input_volts")
    status, out, _ = run(capsys, *words)
    assert (status, out) == (OK, f"{file}: 3 rows read; 2 readings of 1 series in 2 days kept\n")
    file.write_text("when,volts\n2024-01-01T00:00Z,48.5\n2024-01-01T01:00Z,4850\n")
    status, _, err = run(capsys, *words)
    assert status == BAD_INPUT
    assert f"{file}: line 3: volts: 4850 is outside" in err
    with Store(data / HISTORY, read_only=True) as store:
        assert store.readings(VOLTS, 0, 1_750_000_000).values.tolist() == [48.5, 49.0]


def test_backup_and_restore(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = data / "b.sqlite"
    status, out, _ = run(capsys, "backup", str(file), "--data", str(data))
    assert status == OK
    assert "read again and whole: 0 days of a series, 48 rounds not folded yet" in out
    status, _, err = run(capsys, "backup", str(file), "--data", str(data))
    assert (status, "never written over another" in err) == (BAD_INPUT, True)
    (data / HISTORY).unlink()
    status, out, _ = run(capsys, "restore", str(file), "--data", str(data))
    assert (status, "restored: 0 days of a series, 48 rounds" in out) == (OK, True)
    status, out, _ = run(capsys, "restore", str(file), "--data", str(data))
    assert "what was there before is kept in" in out
    assert len(list(data.glob("history-before-restore-*.sqlite"))) == 1


def test_a_running_farpole_is_not_written_under(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = data / "b.sqlite"
    run(capsys, "backup", str(file), "--data", str(data))
    with held(data):
        status, _, err = run(capsys, "restore", str(file), "--data", str(data))
        assert (status, "stop it first" in err) == (FAILED, True)
        assert run(capsys, "export", "--list", "--data", str(data))[0] == OK


def test_without_a_history_it_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = run(capsys, "export", "--list", "--data", str(tmp_path))
    assert (status, err) == (FAILED, f"farpole: there is no history in {tmp_path}; name its directory by --data\n")
