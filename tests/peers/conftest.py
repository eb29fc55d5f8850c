"""Fixtures for tests against real counterparts."""

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import need_peers
from tests.peers.snmpd import Snmpd

collect_ignore = ["gst_camera.py"]
"""It runs under Debian's own python3, which has GStreamer's bindings, and never here."""


@pytest.fixture
def snmpd(tmp_path: Path) -> Iterator[Snmpd]:
    need_peers("snmpd")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    made = Snmpd(tmp_path, port)
    try:
        made.start()
        yield made
    finally:
        made.stop()
