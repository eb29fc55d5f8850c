"""``farpole why --evidence``: the causes behind a file, as words and as one document; what is wrong is named."""

import json
from pathlib import Path

import pytest

from monitor.cli.main import BAD_INPUT, NO_DAEMON, OK, main


def asked(tmp_path: Path, capsys: pytest.CaptureFixture[str], evidence: object, *more: str) -> tuple[int, str, str]:
    file = tmp_path / "seen.json"
    file.write_text(evidence if isinstance(evidence, str) else json.dumps(evidence), encoding="utf-8")
    status = main(["why", "--evidence", str(file), *more])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_causes_with_their_probability_and_what_to_take(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    evidence = {"U": "down", "ag": "no", "I": {"before": 1.1, "now": 0.0}, "sc": "pole", "rt": None}
    status, out, _ = asked(tmp_path, capsys, evidence, "--json")
    assert status == OK
    told = json.loads(out)
    first = told["causes"][0]
    assert (first["fault"], first["id"]) == ("feeder-dead", 1)
    assert 0.6 < first["probability"] <= 1
    assert "the feeder no longer carries its current" in first["evidence"]
    assert first["look_first"].startswith("the feeder's protection")
    assert "spare fuses" in first["van_list"]
    assert told["cannot_tell"] is None
    assert told["unknown_fault"] is False


def test_what_cannot_be_told_names_the_check_that_would(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = asked(tmp_path, capsys, {"U": "down", "ag": "no", "sc": "pole"}, "--json")
    told = json.loads(out)
    assert status == OK
    assert len(told["cannot_tell"]["between"]) == 2
    assert "current" in told["cannot_tell"]["check_first"] or "breaker" in told["cannot_tell"]["check_first"]
    status, out, _ = asked(tmp_path, capsys, {"U": "down", "ag": "no", "sc": "pole"})
    assert "Cannot be told from here" in out
    assert "check first:" in out
    assert "caution: Local codes" in out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "not JSON"),
        ("[1]", "one object of observables"),
        ('{"U": "maybe"}', "U: 'maybe' is not known"),
    ],
)
def test_bad_files(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str) -> None:
    status, _, err = asked(tmp_path, capsys, text)
    assert status == BAD_INPUT
    assert words in err
    assert "seen.json" in err


def test_without_a_place_or_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["why"]) == BAD_INPUT
    assert "name a place" in capsys.readouterr().err
    assert main(["why", "--evidence", str(tmp_path / "none.json")]) == BAD_INPUT
    assert main(["why", "creek", "--causes", "--data", str(tmp_path)]) == NO_DAEMON
