"""The demo as a new user starts it."""

import json
import subprocess
import sys
import time

import pytest

pytestmark = pytest.mark.whole


def test_the_headless_demo_calls_out_a_drop_within_a_minute() -> None:
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "demo", "--headless", "--until-callout", "--json"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert set(document) >= {"pole", "alarm", "cause", "seconds_to_alarm", "seconds_to_callout"}
    assert (document["pole"], document["alarm"], document["cause"]) == ("creek", "pole-silent", "power")
    assert 0 < document["seconds_to_alarm"] < document["seconds_to_callout"] < 25
    assert time.monotonic() - began < 60
    assert "Traceback" not in done.stderr
