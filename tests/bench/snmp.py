"""What asking costs, beside the C library of the reference load, interleaved in one run; prints one JSON line.

``python -m tests.bench.snmp --reference FOLDER [--runs 5] [--period 60]``: the folder has responder.c, nsbench.c,
nspaced.c, plan_multi.txt and mktable.py (gcc, libsnmp-dev and libssl-dev are needed). The responder is pinned to
one core, the clients in turn to the other. CPU figures are medians of the runs; quote the ratios.
"""

import argparse
import asyncio
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from monitor.devices.ask.snmp_pysnmp import PysnmpAsker
from monitor.devices.ask.snmp_round import shape
from tests.bench import snmp_load as load
from tests.devices.test_ber import agrees, message, mutant

_PROGRAMS = {"responder": "-lcrypto", "nsbench": "-lnetsnmp", "nspaced": "-lnetsnmp"}
_CLIENT_CORE, _AGENT_CORE = "0", "1"
_MUTANTS = 100_000
_AGENTS = "1000"


def build(reference: Path, folder: Path) -> None:
    """Compile the reference and make its table, outside the reference's own folder."""
    for name, library in _PROGRAMS.items():
        source, program = str(reference / f"{name}.c"), str(folder / name)
        subprocess.run(["gcc", "-O2", "-w", "-o", program, source, library], check=True)
    subprocess.run([sys.executable, str(reference / "mktable.py"), str(folder / "table.bin")], check=True)
    shutil.copy(reference / "plan_multi.txt", folder)


@contextmanager
def responder(folder: Path, agents: int, deaf: int = 0) -> Iterator[None]:
    """The virtual agents, on the other core."""
    words = ["taskset", "-c", _AGENT_CORE, str(folder / "responder"), "-t", str(folder / "table.bin")]
    words += ["-n", str(agents), "-p", str(load.PORT), "-m", "1472", "-d", str(deaf)]
    process = subprocess.Popen(words, stderr=subprocess.DEVNULL)
    time.sleep(1.5)
    try:
        yield
    finally:
        process.terminate()
        process.wait(10)


def client(*words: str) -> dict[str, Any]:
    """Run a client on its core; its JSON."""
    pinned = ["taskset", "-c", _CLIENT_CORE, *words]
    said = subprocess.run(pinned, check=True, capture_output=True, text=True).stdout
    return dict(json.loads(said.strip().splitlines()[-1]))


def ours(module: str, *words: str) -> dict[str, Any]:
    """One of our own clients."""
    return client(sys.executable, "-m", f"tests.bench.{module}", *words)


def burst(folder: Path, version: str, runs: int) -> tuple[float, float]:
    """Median CPU per object of the C library and of ours [µs], in turn."""
    theirs, own = [], []
    for _ in range(runs):
        said = client(
            str(folder / "nsbench"), str(folder / "plan_multi.txt"), "20", "20", "50", str(load.PORT), version
        )
        theirs.append(said["us_per_vb"])
        own.append(ours("snmp_client", "burst", version, "20", "50")["us_per_vb"])
    return statistics.median(theirs), statistics.median(own)


async def pysnmp_us() -> float:
    """CPU per object of pysnmp's bulk_cmd on the same PDUs [µs]."""
    asker, planned = PysnmpAsker(), shape(load.OIDS, load.ROWS)
    agents = load.agents(5, v3=False)

    async def once() -> None:
        for agent in agents:
            values: list[Any] = [None] * len(load.OIDS)
            ran = await asker.run(agent, planned.pdus, planned.slots, values)
            assert None not in values, ran

    await once()
    began = time.process_time()
    await once()
    used = time.process_time() - began
    asker.close()
    await asyncio.sleep(0.1)
    return used / (len(agents) * len(load.OIDS)) * 1e6


def octets_of_a_round() -> int:
    """Octets of a round's questions and answers as UDP payload, from the reference table."""
    import socket

    sent = received = 0
    planned = shape(load.OIDS, load.ROWS)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        asked.connect((load.agents(1, v3=False)[0].address, load.PORT))
        asked.settimeout(2)
        from monitor.devices.ask import snmp_ber as ber

        for pdu in planned.pdus:
            tag = ber.GET_BULK if pdu.kind == "bulk" else ber.GET
            head = b"\x02\x01\x01" + ber.element(ber.OCTETS, b"public")
            whole = ber.element(ber.SEQUENCE, head, ber.element(tag, b"\x02\x04\x41\x42\x43\x44", pdu.body))
            sent += asked.send(whole)
            received += len(asked.recv(65_535))
    return sent + received


def fuzz(count: int) -> int:
    """Mutants that we and pysnmp read differently, of ``count``; nothing but the codec's own outcomes may happen."""
    from pysnmp.proto import rfc1902

    choose = random.Random(1)
    data = message([(oid, rfc1902.Counter32(i)) for i, oid in enumerate(load.OIDS[:8])])
    return sum(not agrees(mutant(data, choose)) for _ in range(count))


def measured(folder: Path, runs: int, period: str) -> dict[str, Any]:
    """All figures that need agents."""
    found: dict[str, Any] = {}
    with responder(folder, 1000):
        theirs, own = burst(folder, "v2c", runs)
        theirs_v3, own_v3 = burst(folder, "v3", runs)
        found |= {"c_us_per_vb": theirs, "us_per_vb": own, "burst_x_c": own / theirs}
        found |= {"c_v3_us_per_vb": theirs_v3, "v3_us_per_vb": own_v3, "burst_v3_x_c_v3": own_v3 / theirs_v3}
        found["pysnmp_x"] = asyncio.run(pysnmp_us()) / own
        found["pdus_per_round"] = len(shape(load.OIDS, load.ROWS).pdus)
        found["bytes_per_round"] = octets_of_a_round()
        plain = ours("snmp_client", "paced", "v2c", _AGENTS, period, "0")
        sealed = ours("snmp_client", "paced", "v3", _AGENTS, period, "0")
        found |= {"paced_core_percent": plain["core_percent"], "paced_v3_core_percent": sealed["core_percent"]}
        found |= {"p99_ms": plain["p99_ms"], "v3_p99_ms": sealed["p99_ms"]}
        found["false_silence"] = plain["false_silence"] + sealed["false_silence"]
        found["whole_round_core_percent"] = ours("snmp_whole", "v2c", _AGENTS, period)["core_percent"]
        found["memory_kb"] = ours("snmp_client", "memory", "100000")
    with responder(folder, 1000, deaf=100):
        found["p99_ms_with_deaf"] = ours("snmp_client", "paced", "v2c", _AGENTS, period, "100")["p99_ms"]
    return found


def main() -> None:
    """Everything in turn."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--reference", type=Path, required=True)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--period", type=float, default=60.0)
    given = parser.parse_args()
    period = str(given.period)
    found: dict[str, Any] = {"machine": f"{os.cpu_count()} cores", "runs": given.runs}
    with tempfile.TemporaryDirectory() as name:
        build(given.reference, Path(name))
        found |= measured(Path(name), given.runs, period)
    print(json.dumps(found), file=sys.stderr)
    found["mutants"], found["mutants_read_differently"] = _MUTANTS, fuzz(_MUTANTS)
    print(json.dumps({key: round(v, 3) if isinstance(v, float) else v for key, v in found.items()}))


if __name__ == "__main__":
    main()
