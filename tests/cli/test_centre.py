"""What the commands of a centre say where something is missing."""

import subprocess
import sys
from pathlib import Path

import pytest

from monitor.daemon.clock import SystemClock
from monitor.daemon.desk import Desk
from monitor.daemon.secrets import ToCentre as Entry
from monitor.daemon.secrets import a_site_name
from monitor.daemon.to_centre import Centre, ToCentre
from monitor.plan.text import NotRight


def farpole(*words: str) -> tuple[int, str]:
    done = subprocess.run([sys.executable, "-m", "monitor", "centre", *words], capture_output=True, text=True)
    return done.returncode, done.stdout + done.stderr


def test_the_centres_key_is_an_entry_that_is_read_again(tmp_path: Path) -> None:
    status, said = farpole("--new-key")
    assert status == 0
    secrets = tmp_path / "centre.yaml"
    secrets.touch(mode=0o600)
    secrets.write_text("secrets:\n" + said)
    status, said = farpole("--history", "sqlite:///x", "--secrets", str(secrets), "--router-users")
    assert (status, "PostgreSQL" in said) == (1, True)


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        ((), 2, "--history says in which PostgreSQL"),
        (("--history", "postgresql+psycopg:///x?host=/nowhere"), 2, "--router says where the NATS router is"),
        (("--history", "postgresql+psycopg:///x?host=/nowhere", "--sites"), 1, "/nowhere"),
        (("--history", "postgresql+psycopg://u:secret@/x?host=/nowhere", "--sites"), 1, "u:***@"),
    ],
)
def test_what_is_missing_is_said(words: tuple[str, ...], status: int, says: str) -> None:
    got, said = farpole(*words)
    assert (got, says in said) == (status, True), said
    assert "secret" not in said.replace("secrets", "")


def test_a_name_that_would_be_a_wildcard_is_none() -> None:
    assert a_site_name("tarrow-downs") == "tarrow-downs"
    for name in ("*", "a.b", ">", "A", "", "-a", "x" * 61):
        with pytest.raises(ValueError, match="small letters"):
            a_site_name(name)


def test_reporting_without_an_entry_or_with_a_spoilt_one() -> None:
    clock = SystemClock()
    desk, where = Desk(clock, "0"), Centre("nats://127.0.0.1:4222")
    with pytest.raises(NotRight, match="no entry of kind 'report'"):
        ToCentre(where, {}, clock, desk)
    spoilt = Entry(kind="report", site="a", seed="SUx", centre="U" + "A" * 55)
    with pytest.raises(NotRight, match="seed") as wrong:
        ToCentre(where, {"report": spoilt}, clock, desk)
    assert "SUx" not in str(wrong.value)
    assert ToCentre(None, {}, clock, desk).told() == {}
