"""What one centre takes: python -m tests.bench.centre [--seconds 8] [--sites 500] [--minutes 1]

Real nats-server and PostgreSQL (synchronous_commit on, on this machine's disk), 1, 2 and 4 ingesters, everything on the
same cores as the sites that send. A farm round is one parcel of 15 devices with 100 readings each. One JSON line: farm
rounds a second by ingesters, in three interleaved turns (medians), and their ratio; then so many sites at a round a
minute: rounds asked and kept, time to the answer, share of the cores. ``append`` is the reference in the same run: the
same octets appended to a file with an fsync each.
"""

import argparse
import asyncio
import base64
import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from array import array
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from monitor.centre import keys
from monitor.centre.line import Line
from monitor.centre.line import Router as Where
from monitor.centre.parcel import Parcel, sealed
from monitor.centre.ports import subject_of
from monitor.centre.router import inbox_of
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.central import Central
from monitor.history.codec import pack
from tests.centre.conftest import Keys
from tests.history.cluster import Cluster
from tests.peers.router import Router

DEVICES, READINGS = 15, 100
T0 = 1_790_000_000
SENDERS = 256
MOST_A_SECOND = 10_000
"""So many parcels are made ready before the clock runs."""
TURNS = 3


def blobs(seed: int) -> list[bytes]:
    """The rows of a farm round: levels that wander a little, as they are kept."""
    drawn = np.random.default_rng(seed)
    layout = Layout("a/switch", "measure", tuple(Slot(f"a/port/{i}", "port_watts") for i in range(READINGS)))
    rows = []
    for device in range(DEVICES):
        values = array("d", np.round(drawn.normal(9.5, 0.2, READINGS), 1).tolist())
        rows.append(pack(device + 1, Round(layout, float(T0), values, bytearray([State.SEEN]) * READINGS)))
    return rows


class Sender:
    """One site that sends rounds."""

    def __init__(self, name: str, seed: str, line: Line | None = None) -> None:
        self.name, self.sign, self.line = name, keys.signer(seed), line
        self.rows, self.number, self.sent = blobs(hash(name) % 1000), 0, 0

    def sealed(self, kind: str, head: dict[str, Any], parts: tuple[tuple[int, bytes], ...] = ()) -> bytes:
        self.number += 1
        return sealed(subject_of(self.name, kind), Parcel({"number": self.number, **head}, parts), self.sign)

    def round(self) -> bytes:
        """A round, one minute after the last one."""
        at_s = T0 + 60 * self.sent
        parts = tuple((at_s << 16 | device, row) for device, row in enumerate(self.rows))
        self.sent += 1
        return self.sealed("rounds", {"up_to": parts[-1][0]}, parts)

    async def ask(self, kind: str, octets: bytes) -> None:
        assert self.line is not None
        await self.line.request(subject_of(self.name, kind), octets, 20)


class Hose:
    """Sends sealed parcels as fast as they are answered, one of each site at a time, and spends nothing on them:
    the octets of NATS's protocol, and a look at which answer came."""

    def __init__(self, port: int, seed: str) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port))
        info = json.loads(self.socket.recv(65536).split(b"\r\n")[0][5:])
        signature = base64.urlsafe_b64encode(keys.signer(seed)(info["nonce"].encode())).rstrip(b"=").decode()
        told = {"verbose": False, "pedantic": False, "nkey": keys.public_of(seed), "sig": signature, "lang": "bench"}
        self.socket.sendall(b"CONNECT " + json.dumps(told).encode() + b"\r\nSUB _INBOX.bench.* 1\r\nPING\r\n")
        came = b""
        while b"PONG" not in came:
            came += self.socket.recv(65536)
            assert b"-ERR" not in came, came

    def run(self, parcels: list[tuple[str, list[bytes]]], seconds: float) -> tuple[list[int], float]:
        """How many parcels of each site were answered, and in how long."""
        done, began_s, open_, came = [0] * len(parcels), time.monotonic(), 0, b""
        open_ += self._send(parcels, [(i, 0) for i in range(len(parcels))])
        while open_:
            came += self.socket.recv(1 << 18)
            whole, came = _answered(came)
            for i in whole:
                done[i] += 1
            open_ -= len(whole)
            if time.monotonic() - began_s < seconds:
                open_ += self._send(parcels, [(i, done[i]) for i in whole])
        return done, time.monotonic() - began_s

    def _send(self, parcels: list[tuple[str, list[bytes]]], which: list[tuple[int, int]]) -> int:
        """All at once; how many there were."""
        out = []
        for i, n in which:
            name, octets = parcels[i]
            if n < len(octets):
                head = f"PUB farpole.{name}.rounds _INBOX.bench.{i} {len(octets[n])}\r\n".encode()
                out += [head, octets[n], b"\r\n"]
        self.socket.sendall(b"".join(out))
        return len(out) // 3


def _answered(came: bytes) -> tuple[list[int], bytes]:
    """To which of the open requests answers have come, and what is left of the octets."""
    found, at = [], 0
    while (end := came.find(b"\r\n", at)) >= 0:
        words = came[at:end].split()
        after = end + 2
        if words[0] == b"MSG":
            after += int(words[-1]) + 2
            if after > len(came):
                break
            found.append(int(words[1].rpartition(b".")[2]))
        at = after
    return found, came[at:]


class Bench:
    """A cluster, a router, and sites that are known to both."""

    def __init__(self, stack: ExitStack, sites: int) -> None:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        self.folder = folder
        # The usual settings of a server with some memory; what is answered is on the disk all the same.
        self.cluster = Cluster("-c max_wal_size=2GB -c shared_buffers=256MB -c max_connections=100")
        stack.callback(self.cluster.remove)
        self.cluster.start()
        self.url = self.cluster.new_database()
        self.known = Keys(sites={f"farm-{i}": keys.new_seed() for i in range(sites)})
        self.hose_seed = keys.new_seed()
        user = f"{{ nkey: {keys.public_of(self.hose_seed)} }}  # the bench: may say anything\n  ]"
        self.router = Router(folder, self.known.users().replace("  ]", f"    {user}", 1))
        stack.callback(self.router.kill)
        self.router.start()
        central = Central(self.url)
        for name, seed in self.known.sites.items():
            central.add(name, keys.public_of(seed), 0.0)
        central.close()
        self.secrets = folder / "centre.yaml"
        self.secrets.touch(mode=0o600)
        self.secrets.write_text(f"secrets:\n  centre: {{kind: centre, seed: {self.known.centre}}}\n")
        self.senders: list[Sender] = []
        self.hose_us: list[float] = []
        """What sending one round takes of a core, on the same cores [µs]."""

    def ingesters(self, count: int) -> list[subprocess.Popen[bytes]]:
        words = ["-m", "monitor", "centre", "--ingest-only", "--history", self.url, "--router", self.router.url]
        words += ["--secrets", str(self.secrets)]
        log = (self.folder / "ingesters.log").open("ab")
        return [subprocess.Popen([sys.executable, *words], stderr=log) for _ in range(count)]

    async def connect(self) -> None:
        for name, seed in self.known.sites.items():
            line = Line(Where(self.router.url, seed, inbox_of(name)))
            await line.open()
            self.senders.append(Sender(name, seed, line))
        processes = self.ingesters(1)
        await asyncio.sleep(5)
        for one in self.senders:
            await one.ask("begin", one.sealed("begin", {"history": one.name}))
        for process in processes:
            process.terminate()
            process.wait()

    async def throughput(self, count: int, seconds: float) -> float:
        """Farm rounds a second through so many ingesters."""
        processes = self.ingesters(count)
        try:
            some = self.senders[:SENDERS]
            before = [one.sent for one in some]
            parcels = [
                (one.name, [one.round() for _ in range(round(seconds * MOST_A_SECOND / SENDERS))]) for one in some
            ]
            await asyncio.sleep(3 + count)
            hose = Hose(self.router.port, self.hose_seed)
            spent_s = time.process_time()
            done, lasted_s = await asyncio.to_thread(hose.run, parcels, seconds)
            self.hose_us.append(1e6 * (time.process_time() - spent_s) / max(1, sum(done)))
            hose.socket.close()
            for one, was, answered in zip(some, before, done, strict=True):
                one.sent = was + answered
            return sum(done) / lasted_s
        finally:
            for process in processes:
                process.terminate()
                process.wait()

    async def sustained(self, minutes: float) -> dict[str, Any]:
        """Every site sends a round a minute, spread over it."""
        [process] = self.ingesters(1)
        await asyncio.sleep(5)
        took: list[float] = []
        began_s, busy_s = time.monotonic(), busy()

        async def farm(i: int, one: Sender) -> None:
            for minute in range(max(1, round(minutes))):
                due_s = began_s + 60 * (minute + i / len(self.senders))
                await asyncio.sleep(max(0.0, due_s - time.monotonic()))
                sent_s = time.monotonic()
                await one.ask("rounds", one.round())
                took.append(time.monotonic() - sent_s)

        await asyncio.gather(*(farm(i, one) for i, one in enumerate(self.senders)))
        lasted_s = time.monotonic() - began_s
        share = (busy() - busy_s) / lasted_s / (os.cpu_count() or 1)
        process.terminate()
        process.wait()
        ordered = sorted(took)
        return {
            "sites": len(self.senders),
            "rounds": len(took),
            "rounds_a_second": round(len(took) / lasted_s, 1),
            "answer_ms_median": round(1000 * statistics.median(took), 1),
            "answer_ms_p99": round(1000 * ordered[int(0.99 * len(ordered))], 1),
            "share_of_all_cores": round(share, 3),
        }

    def kept(self) -> dict[str, Any]:
        """What is in the tables, counted, and what it takes."""
        import psycopg

        with psycopg.connect(self.url.replace("+psycopg", "")) as connection:
            rows = connection.execute("SELECT count(*) FROM centre.round_row").fetchone()
            size = connection.execute("SELECT pg_database_size(current_database())").fetchone()
        assert rows is not None
        assert size is not None
        return {
            "rows": rows[0],
            "expected": DEVICES * sum(one.sent for one in self.senders),
            "database_mb": size[0] >> 20,
        }


def busy() -> float:
    """Seconds that all cores have worked since the start: /proc/stat of proc(5) without idle and iowait."""
    fields = list(map(int, Path("/proc/stat").read_text(encoding="ascii").split("\n")[0].split()[1:]))
    return (sum(fields[:8]) - fields[3] - fields[4]) / 100


def append(seconds: float, folder: Path) -> float:
    """The reference: the octets of a farm round appended with an fsync each, a second."""
    whole, count, began_s = b"".join(blobs(1)), 0, time.monotonic()
    with (folder / "append").open("ab", buffering=0) as opened:
        while time.monotonic() - began_s < seconds:
            opened.write(whole)
            os.fsync(opened.fileno())
            count += 1
    return count / seconds


async def main(seconds: float, sites: int, minutes: float) -> None:
    with ExitStack() as stack:
        bench = Bench(stack, sites)
        await bench.connect()
        found: dict[int, list[float]] = {1: [], 2: [], 4: []}
        reference = []
        for _ in range(TURNS):
            reference.append(append(2, bench.folder))
            for count, rates in found.items():
                rates.append(await bench.throughput(count, seconds))
        medians = {count: round(statistics.median(some)) for count, some in found.items()}
        document = {
            "bench": "centre",
            "append_fsync_a_second": round(statistics.median(reference)),
            "rounds_a_second": medians,
            "two_to_one": round(medians[2] / medians[1], 2),
            "sending_us": round(statistics.median(bench.hose_us)),
            "octets_a_round": sum(map(len, blobs(1))),
            "sustained": await bench.sustained(minutes) if minutes else None,
            "kept": bench.kept(),
        }
        for one in bench.senders:
            assert one.line is not None
            await one.line.close()
    print(json.dumps(document))


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--sites", type=int, default=500)
    parser.add_argument("--minutes", type=float, default=1.0)
    given = parser.parse_args()
    asyncio.run(main(given.seconds, given.sites, given.minutes))
