"""Recordings of real devices, served on loopback by the public simulator: switches, converters, cameras, UPSs.

The recordings are the data package's (BSD licence); they hold names and addresses of real places, so they are read
where they are installed and nothing of them is kept here.
"""

import bz2
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.devices.ask.snmp import Agent, Community, Outcome
from monitor.devices.ask.snmp_everything import everything
from monitor.devices.ask.snmp_fast import FastAsker
from monitor.devices.decode import ups
from monitor.devices.decode.bridge import stations
from monitor.devices.decode.catalogue import lines, private_columns
from monitor.devices.decode.ip_addresses import pairs
from monitor.devices.decode.lldp import neighbours
from monitor.devices.decode.raw import Oid, Raw, Unread, oid
from monitor.devices.questions import fill, script
from tests.conftest import need_python_peers

pytestmark = pytest.mark.peer

FOLDERS = ("UPS", "camera", "network/switch", "network/wifi", "network/router", "network/appliance", "os/linux")
MOST_PACKED_OCTETS = 24_000
"""Larger ones (tens of thousands of objects) take minutes of the simulator's time."""
LEAST = 20


def chosen() -> list[Path]:
    spec = find_spec("snmpsim_data")
    if spec is None or spec.origin is None:
        return []
    data = Path(spec.origin).parent / "data"
    files = [file for folder in FOLDERS for file in sorted((data / folder).glob("*.snmprec*"))]
    return [file for file in files if file.stat().st_size < MOST_PACKED_OCTETS]


@dataclass
class Served:
    port: int
    recordings: dict[str, str]
    """Community → the recording's text."""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    need_python_peers("snmpsim", "snmpsim_data")
    folder = tmp_path_factory.mktemp("recordings")
    (folder / "data").mkdir()
    texts: dict[str, str] = {}
    for number, file in enumerate(chosen()):
        raw = bz2.decompress(file.read_bytes()) if file.suffix == ".bz2" else file.read_bytes()
        name = f"device-{number:02d}"
        (folder / "data" / f"{name}.snmprec").write_bytes(raw)
        texts[name] = raw.decode("utf-8", "replace")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    words = [str(Path(sys.executable).with_name("snmpsim-command-responder"))]
    words += [f"--data-dir={folder / 'data'}", f"--cache-dir={folder / 'cache'}"]
    words += [f"--agent-udpv4-endpoint=127.0.0.1:{port}"]
    if os.geteuid() == 0:
        words += ["--process-user=root", "--process-group=root"]
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(words, stdout=log, stderr=log, cwd=folder, env={**os.environ, "HOME": str(folder)})
    try:
        _wait(folder / "log", process)
        yield Served(port, texts)
    finally:
        process.terminate()
        process.wait(10)


def _wait(log: Path, process: subprocess.Popen[bytes]) -> None:
    for _ in range(300):
        if "Listening" in log.read_text() or process.poll() is not None:
            break
        time.sleep(0.1)
    assert process.poll() is None, log.read_text()[-2000:]


def recorded(text: str) -> dict[Oid, tuple[str, str]]:
    """OID → type and value, of the lines that are plain: ``OID|type|value``."""
    found = {}
    for line in text.splitlines():
        plain = re.fullmatch(r"(\d[\d.]*)\|(\d+x?)\|(.*)", line)
        if plain:
            found[oid(plain[1])] = (plain[2], plain[3])
    return found


def same(raw: Raw, kind: str, value: str) -> bool:
    """Is this the value that was recorded?"""
    if kind == "4x":
        return raw == bytes.fromhex(value)
    if kind == "6":
        return raw == oid(value)
    if kind in ("2", "65", "66", "67", "70"):
        return isinstance(raw, Unread) or raw in (int(value), int(value) + 2**32, int(value) + 2**64)
    return True


def test_there_are_enough(served: Served) -> None:
    assert len(served.recordings) >= LEAST
    names = [[oid(m[1]) for m in re.finditer(r"(?m)^(\d[\d.]*)\|", text)] for text in served.recordings.values()]
    falling = [sum(a >= b for a, b in pairwise(order)) for order in names]
    assert sum(count > 0 for count in falling) >= 5, "walks that do not increase are among them"
    assert max(falling) > 10


@pytest.mark.parametrize("number", range(max(LEAST, len(chosen()))))
async def test_everything_that_a_device_has_is_read_once_and_accounted_for(served: Served, number: int) -> None:
    name = f"device-{number:02d}"
    plain = recorded(served.recordings[name])
    asker = FastAsker()
    try:
        got = await everything(asker, Agent("127.0.0.1", served.port, Community(name), 3.0, 1), lambda count, at: None)
    finally:
        asker.close()
    assert got.outcome is Outcome.OK, got.detail
    said = list(lines(got.objects, got.strange))
    counts = [sum(line.state == state for line in said) for state in ("known", "raw", "garbled")]
    assert sum(counts) == got.received == len(said)
    assert len({line.oid for line in said}) == len(said)
    wrong = [key for key, raw in got.objects.items() if key in plain and not same(raw, *plain[key])]
    assert wrong == []
    assert len(got.objects) >= 0.9 * len(plain) or got.notes, f"{len(got.objects)} of {len(plain)}"
    assert all(line.why for line in said if line.state == "garbled")
    for column in private_columns(got.objects):
        assert len(column.examples) < 2000
    # What a UPS says is in its units, whatever its agent makes of them.
    asked = script("meter/ups", "reach", ups.wants("house", got.objects))
    readings = fill(asked, [got.objects.get(one) for one in asked.oids], 0.0)
    seen = {slot.quantity: readings.values[i] for i, slot in enumerate(asked.layout.slots) if not readings.states[i]}
    # Banks of three-phase units float at some 540 V.
    assert all(10 <= volts <= 600 for quantity, volts in seen.items() if quantity == "battery_volts")
    assert all(volts == 0 or 80 <= volts <= 300 for quantity, volts in seen.items() if quantity == "mains_volts")
    assert all(-20 <= value < 100 for quantity, value in seen.items() if quantity == "battery_c")
    # What the survey reads of it: addresses learnt (with VLANs where there are any), neighbours, ARP.
    assert all(len(station.mac) == 17 for station in stations(got.objects))
    assert all(one.chassis.isprintable() for one in neighbours(got.objects))
    assert all(mac.count(":") == 5 for _, mac in pairs(got.objects))
