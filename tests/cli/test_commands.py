import json
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, main
from monitor.daemon.files import shipped

TARROW = str(shipped() / "tarrow-downs.yaml")


def test_budget_prints_every_pole(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", TARROW]) == OK
    out = capsys.readouterr().out
    for words in ("== creek", "margin", "dB to sensitivity", "cold_night", "PoE", "no fibre to this pole"):
        assert words in out, words


def test_budget_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", TARROW, "--json"]) == OK
    document = json.loads(capsys.readouterr().out)
    creek = document["poles"]["creek"]
    assert set(creek["optical"]["directions"][0]) >= {
        "terms",
        "expected_rx_dbm",
        "sensitivity_dbm",
        "overload_dbm",
        "margin_db",
    }
    assert set(creek["feeder"]["cases"]) == {"hot_day", "hot_night", "cold_night", "start_up", "allocated"}
    assert document["poles"]["ridge"]["optical"] is None


def test_a_negative_margin_is_named_and_is_status_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], tarrow_text: str
) -> None:
    plan = tmp_path / "plan.yaml"
    plan.write_text(tarrow_text.replace("conductor_mm2: 10,", "conductor_mm2: 4,", 1), encoding="utf-8")
    assert main(["budget", str(plan)]) == FAILED
    assert "negative: creek: volts" in capsys.readouterr().err


def test_a_bad_plan_is_status_2_with_its_lines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = tmp_path / "plan.yaml"
    plan.write_text("site: {name: x}\n", encoding="utf-8")
    assert main(["budget", str(plan)]) == BAD_INPUT
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "line 1: site.latitude is missing" in captured.err
    assert main(["budget", str(tmp_path / "none.yaml")]) == BAD_INPUT


def test_a_size_that_no_table_has_is_status_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], tarrow_text: str
) -> None:
    plan = tmp_path / "plan.yaml"
    plan.write_text(tarrow_text.replace("conductor_mm2: 4,", "conductor_mm2: 3.3,", 1), encoding="utf-8")
    assert main(["budget", str(plan)]) == BAD_INPUT
    assert "has no size 3.3" in capsys.readouterr().err


def test_run_with_a_bad_plan_starts_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = tmp_path / "plan.yaml"
    plan.write_text("site: {name: x}\n", encoding="utf-8")
    assert main(["run", "--plan", str(plan), "--data", str(tmp_path / "data")]) == BAD_INPUT
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize("page", ["nonsense", "127.0.0.1:99999", "0.0.0.0:8460"])
def test_a_page_address_that_cannot_be_is_refused(page: str, tmp_path: Path) -> None:
    assert main(["run", "--plan", TARROW, "--data", str(tmp_path), "--page", page]) == BAD_INPUT


def test_without_a_daemon_and_without_history(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["status", "--data", str(tmp_path)]) == NO_DAEMON
    assert main(["alarms", "ack", "creek", "pole-silent", "--data", str(tmp_path)]) == NO_DAEMON
    assert "no farpole runs on" in capsys.readouterr().err


def test_the_faults_of_the_demo_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--list-faults"]) == OK
    assert "feeder-open" in capsys.readouterr().out


def test_an_unknown_fault_is_refused_before_anything_starts(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--headless", "--fault", "nonsense@creek"]) == BAD_INPUT
    assert main(["demo", "--headless", "--fault", "fibre-cut@nowhere"]) == BAD_INPUT
    assert "there are creek, woolshed, yards, ridge" in capsys.readouterr().err


def test_a_reader_that_goes_away_is_no_traceback() -> None:
    command = f"{sys.executable} -m monitor budget {TARROW} | head -1"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=True)
    assert "Traceback" not in done.stderr
    assert done.stdout.startswith("Budgets of")
