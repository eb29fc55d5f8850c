"""The demo as a new user starts it."""

import http.client
import json
import socket
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


def test_the_demo_with_its_page_and_the_history_behind_it() -> None:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    began = time.monotonic()
    words = [sys.executable, "-m", "monitor", "demo", "--page", f"127.0.0.1:{port}"]
    demo = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        page = page_of(port, "/pole/creek?range=year")
        assert time.monotonic() - began < 60
        assert "One reading an hour, lately one a minute" in page
        assert page.count("<polyline") >= 3
    finally:
        demo.terminate()
        out, err = demo.communicate(timeout=10)
    assert f"http://127.0.0.1:{port}/" in out
    assert "fourteen months behind it" in err
    assert "Traceback" not in err
    assert demo.returncode == 0


def page_of(port: int, path: str) -> str:
    """The page, as soon as there is one."""
    for _ in range(300):
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        try:
            connection.request("GET", path)
            answer = connection.getresponse()
            if answer.status == 200:
                return answer.read().decode()
        except OSError:
            pass  # not yet: the assertion below says when it is too late
        finally:
            connection.close()
        time.sleep(0.2)
    raise AssertionError("no page within a minute")
