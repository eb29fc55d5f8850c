"""Looking where no daemon runs: what the history holds is printed, and the status says that nobody is watching."""

import json
from pathlib import Path

import pytest

from monitor.alarms.book import Book, Condition, Key, step
from monitor.alarms.states import Severity
from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, main
from monitor.daemon.lock import HISTORY
from monitor.history.store import Store


@pytest.fixture
def past(tmp_path: Path) -> Path:
    """A data directory whose daemon has ended while creek was silent."""
    condition = Condition(Key("creek", "pole-silent"), Severity.CRITICAL, "creek is silent.")
    with Store(tmp_path / HISTORY) as store:
        store.record(step(Book(), [condition], 1_790_000_000.0)[1])
    return tmp_path


@pytest.mark.parametrize("words", [["status"], ["alarms"], ["why", "creek"]])
def test_what_was_last_known_is_printed_with_its_time_and_status_3(
    past: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    assert main([*words, "--data", str(past)]) == NO_DAEMON
    said = capsys.readouterr()
    assert "creek is silent." in said.out
    assert "as of " in said.err
    assert "; farpole is not running" in said.err


def test_a_program_that_reads_it_sees_that_too(past: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["status", "--json", "--data", str(past)]) == NO_DAEMON
    told = json.loads(capsys.readouterr().out)
    assert (told["running"], told["as_of_s"]) == (False, 1_790_000_000.0)
    assert [alarm["resource"] for alarm in told["alarms"]] == ["creek"]
    assert main(["alarms", "--json", "--data", str(past)]) == NO_DAEMON
    assert json.loads(capsys.readouterr().out)[0]["text"] == "creek is silent."


def test_what_only_a_daemon_knows_is_refused_with_the_same_status(
    past: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for words in (["why", "creek", "--causes"], ["status", "--self"], ["alarms", "ack", "creek", "pole-silent"]):
        assert main([*words, "--data", str(past)]) == NO_DAEMON, words
        said = capsys.readouterr()
        assert said.out == ""
        assert "no farpole runs on" in said.err


def test_a_history_that_cannot_be_read_is_a_failure_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / HISTORY).write_bytes(b"no database at all, and long enough to be looked at " * 40)
    assert main(["status", "--data", str(tmp_path)]) == FAILED
    assert "its history cannot be read" in capsys.readouterr().err


def test_an_act_without_its_alarm_is_bad_input_before_anybody_is_asked(past: Path) -> None:
    assert main(["alarms", "ack", "--data", str(past)]) == BAD_INPUT
