"""The helper's request: a fixed grammar, and nothing beyond it."""

import json
import subprocess
import sys

import pytest

from monitor.devices.ask.sweep import BadRequest, read_request


def test_a_right_request() -> None:
    request = read_request('{"interface": "eth0", "networks": ["10.20.0.0/30"], "listen_s": 5}')
    assert request.hosts == ["10.20.0.1", "10.20.0.2"]
    assert request.packets_per_s == 2000


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "cannot be read"),
        ("[]", "fields are"),
        ('{"networks": []}', "cannot be read"),
        ('{"interface": "eth0; rm -rf /", "networks": []}', "no name"),
        ('{"interface": "eth0", "networks": ["8.8.8.0/24"]}', "private"),
        ('{"interface": "eth0", "networks": ["10.0.0.0/8"]}', "more than"),
        ('{"interface": "eth0", "networks": [], "listen_s": 1e9}', "listen_s"),
        ('{"interface": "eth0", "networks": [], "packets_per_s": 100000}', "packets_per_s"),
        ('{"interface": "eth0", "networks": [], "filter": "tcp"}', "fields are"),
    ],
)
def test_anything_else_is_refused(text: str, why: str) -> None:
    with pytest.raises(BadRequest, match=why):
        read_request(text)


def test_the_process_refuses_in_its_own_words() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.devices.ask.sweep"],
        input="nonsense\n",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert json.loads(done.stdout)["kind"] == "error"


def test_only_one_file_knows_scapy() -> None:
    from tests.house.test_house import ROOT

    users = [file.name for file in (ROOT / "monitor").rglob("*.py") if "scapy" in file.read_text().split('"""', 2)[-1]]
    assert set(users) <= {"sweep.py", "helper.py"}
