import csv
import json
from pathlib import Path

import pytest

from monitor.cli.main import BAD_INPUT, FAILED, OK, main
from tests.margins.test_drift import hourly


@pytest.fixture
def table(tmp_path: Path) -> Path:
    import numpy as np

    file = tmp_path / "light.csv"
    times, values, air = hourly(400, -np.maximum(0, np.arange(400) - 150) / 30.4 * 0.5, 9)
    with file.open("w", newline="") as opened:
        writer = csv.writer(opened)
        writer.writerow(["time", "value", "temperature"])
        writer.writerows(zip(times.tolist(), values.tolist(), air.tolist(), strict=True))
    return file


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = main(["forecast", *words])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_a_table_of_one_s_own(table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "--csv", str(table), "--limit", "-17", "--unit", "dB", "--json")
    answer = json.loads(out)
    assert status == OK
    assert answer["side"] == "below"
    assert answer["drift"]["kind"] == "ramp"
    assert answer["drift"]["unit"] == "dB"
    assert answer["drift"]["effect"] == pytest.approx(4.1, abs=0.4)
    assert answer["months_to_limit"]["p10"] < 11.8 < answer["months_to_limit"]["p90"]
    assert answer["segments"] == ["2024-10-04"]
    assert answer["baseline"]["per_kelvin"] == pytest.approx(-0.01, abs=0.003)
    status, out, _ = run(capsys, "--csv", str(table), "--limit", "-17", "--unit", "dB")
    assert "a slow change of 4" in out
    assert "the limit is reached in" in out


def test_what_was_before_a_day_is_another_segment(table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--csv", str(table), "--limit", "-17", "--baseline-until", "2025-03-01", "--json")
    assert json.loads(out)["segments"][-1] == "2025-03-02"


def test_reversed_time_and_gaps_are_answered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "a.csv"
    lines = [f"{1_700_000_000 + 86_400 * i},{'' if i == 5 else 5.0}" for i in range(60)][::-1]
    file.write_text("time,value\n" + "\n".join(lines) + "\n")
    status, out, _ = run(capsys, "--csv", str(file), "--limit", "0", "--json")
    answer = json.loads(out)
    assert (status, answer["drift"], answer["reason"]) == (OK, None, "no drift was detected")
    assert answer["notes"] == [
        "time goes back 59 times; the readings were put in order",
        "1 of 60 values are empty or infinite and were left out",
    ]


def test_a_single_point_is_refused_with_a_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "a.csv"
    file.write_text("time,value\n2026-01-01,5\n")
    status, out, _ = run(capsys, "--csv", str(file), "--limit", "0")
    assert (status, out) == (FAILED, "no date: only 1 days with readings; 35 are the least\n")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time,value\nsoon,5\n", "line 2: time: 'soon' is neither"),
        ("time,value\n1,much\n", "line 2: value: 'much' is not a number"),
        ("when,value\n1,5\n", "line 1: there is no column time; it has when, value"),
    ],
)
def test_a_bad_table_is_status_2(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str) -> None:
    file = tmp_path / "a.csv"
    file.write_text(text)
    status, out, err = run(capsys, "--csv", str(file), "--limit", "0")
    assert (status, out) == (BAD_INPUT, "")
    assert words in err
