"""Everything of a centre killed with -9 in turn, its line cut, its power cut: nothing is missing, nothing is double."""

import asyncio
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from monitor.centre import keys
from monitor.daemon.clock import SystemClock
from monitor.daemon.keeper import Keeper
from monitor.facts.readings import Slot
from monitor.history.central import Central
from monitor.history.one_site import one_site
from monitor.history.store import NotKept, Store
from tests.centre.conftest import Keys
from tests.centre.site_process import LIGHT, a_round
from tests.centre.test_carrying import centre, farm, until
from tests.conftest import _skip_or_fail
from tests.history import disk as disks
from tests.history.cluster import Cluster
from tests.peers.router import Router

pytestmark = pytest.mark.peer

SITE = "tarrow-downs"


class Cable:
    """The way from a site to the router: it can be cut, or go dumb so that nobody notices at once."""

    def __init__(self, to_port: int) -> None:
        self.to_port, self.whole, self.dumb = to_port, True, False
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self.server.accept()
            except OSError:
                return
            if not self.whole:
                near.close()
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self.to_port), 2)
            except OSError:
                near.close()
                continue
            self.open += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while octets := one.recv(65536):
                if not self.dumb:
                    other.sendall(octets)
        for end in (one, other):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def cut(self) -> None:
        self.whole = False
        for one in self.open:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        self.open = []

    def mend(self) -> None:
        self.whole, self.dumb = True, False

    def close(self) -> None:
        self.cut()
        self.server.close()


class Whole:
    """A site, a cable, a router, ingesters and PostgreSQL, each a process of its own."""

    def __init__(self, folder: Path, cluster: Cluster, router: Router, known: Keys, stack: ExitStack) -> None:
        self.folder, self.cluster, self.router, self.known = folder, cluster, router, known
        self.url = cluster.new_database()
        self.cable = Cable(router.port)
        stack.callback(self.cable.close)
        self.history = folder / "site.sqlite"
        secrets = folder / "centre.yaml"
        secrets.write_text(f"secrets:\n  centre: {{kind: centre, seed: {known.centre}}}\n")
        secrets.chmod(0o600)
        self._secrets = secrets
        central = Central(self.url)
        central.add(SITE, keys.public_of(known.sites[SITE]), 0.0)
        central.close()
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        stack.callback(lambda: self.kill(*self.processes))

    def start(self, name: str) -> None:
        seed, centre_key = self.known.sites[SITE], keys.public_of(self.known.centre)
        url = f"nats://127.0.0.1:{self.cable.port}"
        words = ["-m", "tests.centre.site_process", str(self.history), url, SITE, seed, centre_key]
        if name.startswith("ingester"):
            words = ["-m", "monitor", "centre", "--ingest-only", "--history", self.url, "--router", self.router.url]
            words += ["--secrets", str(self._secrets)]
        log = (self.folder / f"{name}.log").open("ab")
        out = (self.folder / "kept.txt").open("ab") if name == "site" else log
        self.processes[name] = subprocess.Popen([sys.executable, *words], stdout=out, stderr=log)

    def kill(self, *names: str) -> None:
        for name in names:
            process = self.processes.pop(name)
            process.kill()
            process.wait()

    def confirmed(self) -> int:
        """The number of the last change of an alarm at the centre."""
        central = Central(self.url)
        try:
            return central.known(SITE)[2]["changes"]
        finally:
            central.close()

    def moves(self, timeout_s: float = 60) -> None:
        """Wait until something new has arrived."""
        was, until_s = self.confirmed(), time.monotonic() + timeout_s
        while self.confirmed() <= was:
            assert time.monotonic() < until_s, self.logs()
            time.sleep(0.2)

    def logs(self) -> str:
        return "\n".join(f"{one.name}:\n{one.read_text()[-1500:]}" for one in sorted(self.folder.glob("*.log")))

    def told(self) -> int:
        """How many rounds the site has said are on its disk."""
        return int((self.folder / "kept.txt").read_text().split()[-1])


@pytest.fixture
def whole(tmp_path: Path, cluster: Cluster, router: Router, known: Keys) -> Iterator[Whole]:
    with ExitStack() as stack:
        yield Whole(tmp_path, cluster, router, known, stack)


def compare(site: Path, url: str) -> tuple[int, int]:
    """Everything that the site has is at the centre, once and in order; how many rounds and changes that was."""
    central = Central(url)
    source = next(one.source for one in central.sites() if one.name == SITE)
    central.close()
    assert source is not None
    with Store(site, read_only=True) as here, one_site(url, source) as there:
        mine, its = here.readings(LIGHT, 0, 4e9), there.readings(LIGHT, 0, 4e9)
        assert its.times_s.tolist() == mine.times_s.tolist()
        assert its.values.tolist() == mine.values.tolist()
        changes = [[(c.at_s, c.what, c.text) for c in one.changes(0.0, 1_000_000)] for one in (here, there)]
        assert changes[0] == changes[1]
        assert here.alarms() == there.alarms()
        return len(mine), len(changes[0])


def caught_up(whole: Whole, timeout_s: float = 60) -> None:
    """Wait until the centre has all that a site that is dead by now has kept."""
    with Store(whole.history, read_only=True) as here:
        last = here.changes_after(0, 10**9).up_to
        rounds = here.rounds_after(0, 10**9).up_to
    until_s = time.monotonic() + timeout_s
    central = Central(whole.url)
    try:
        while (at := central.known(SITE)[2])["changes"] < last or at["rounds"] < rounds:
            assert time.monotonic() < until_s, f"{at} of {last}, {rounds}\n{whole.logs()}"
            time.sleep(0.1)
    finally:
        central.close()


def test_each_part_killed_in_turn(whole: Whole) -> None:
    """Link, site, router, ingester, PostgreSQL: kill -9, and again."""
    for name in ("ingester 1", "ingester 2", "site"):
        whole.start(name)
    whole.moves()
    faults: list[tuple[Callable[[], None], Callable[[], None]]] = [
        (whole.cable.cut, whole.cable.mend),
        (lambda: whole.kill("site"), lambda: whole.start("site")),
        (whole.router.kill, whole.router.start),
        (lambda: whole.kill("ingester 1"), lambda: whole.start("ingester 1")),
        (whole.cluster.kill, whole.cluster.start),
        (lambda: whole.kill("ingester 1", "ingester 2"), lambda: whole.start("ingester 2")),
        (lambda: whole.kill("site"), lambda: whole.start("site")),
    ]
    for fault, mend in faults:
        fault()
        time.sleep(1.5)
        mend()
        whole.moves()
    whole.kill("site")
    told = whole.told()
    asyncio.run(carry_the_rest(whole))
    rounds, changes = compare(whole.history, whole.url)
    assert rounds >= told, "what the site has said is on its disk"
    assert changes > 20


async def carry_the_rest(whole: Whole) -> None:
    """A site that reports and makes nothing new, until the centre has everything."""
    async with farm(whole.folder, whole.router, whole.known) as site:
        await site.keeper.close()
        site.keeper = site.outbox._keeper = Keeper(whole.history, SystemClock())
        await site.keeper.open()
        site.begin()
        await asyncio.to_thread(caught_up, whole)


def test_the_power_of_the_centre_goes(tmp_path: Path, router: Router, known: Keys) -> None:
    """What the centre has answered is on its disk: PostgreSQL on a disk that loses what was not flushed."""
    _skip_or_fail(disks.why_not())
    with ExitStack() as stack:
        folder = Path(tempfile.mkdtemp(prefix="farpole-disk-"))
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        folder.chmod(0o755)  # PostgreSQL runs as a user of its own
        disk = disks.Disk(folder, 400)
        stack.callback(disk.unmount)
        (disk.at / "pg").mkdir()
        cluster = Cluster(disk=disk.at / "pg")
        stack.callback(cluster.remove)
        cluster.start()
        whole = Whole(tmp_path, cluster, router, known, stack)
        for name in ("ingester 1", "site"):
            whole.start(name)
        whole.moves()
        whole.moves()
        whole.kill("ingester 1")
        before = whole.confirmed()
        whole.start("ingester 1")
        whole.moves()
        disk.cut()
        cluster.kill()
        disk.again()
        cluster.start()
        assert whole.confirmed() >= before
        whole.moves()
        whole.kill("site")
        asyncio.run(carry_the_rest(whole))
        rounds, changes = compare(whole.history, whole.url)
        assert (rounds > 50, changes > 3) == (True, True)


async def test_a_site_whose_quota_is_reached(tmp_path: Path, cluster: Cluster, router: Router, known: Keys) -> None:
    """What it could keep arrives; what it could not waits in its memory, and arrives when there is room."""
    async with centre(cluster.new_database(), router, known) as (central, _), farm(tmp_path, router, known) as site:
        await site.keeper.close()
        site.keeper = site.outbox._keeper = Keeper(tmp_path / "small.sqlite", SystemClock(), 300_000)
        await site.keeper.open()
        i = 0
        while not site.keeper.trouble:
            assert i < 20_000
            await site.keep(*(a_round(i + n) for n in range(200)))
            i += 200
        assert "full" in site.keeper.trouble
        site.begin()
        held = await site.keeper.ask(lambda store: store.readings(LIGHT, 0, 4e9))
        await until(lambda: len(arrived(central)) == len(held))
        assert site.keeper.waiting > 0
        await site.end()
        waiting = site.keeper._backlog.rounds
        await site.keeper.ask(lambda store: store.close())
        with pytest.raises(NotKept, match="full"):
            Store(tmp_path / "small.sqlite", quota_octets=300_000).keep(waiting)
        larger = Keeper(tmp_path / "small.sqlite", SystemClock(), 30_000_000)
        await larger.open()
        larger.keep(waiting)
        await larger.flush()
        site.keeper = site.outbox._keeper = larger
        site.begin()
        await until(lambda: len(arrived(central)) == i)
        assert arrived(central) == sorted(set(arrived(central)))


def arrived(central: Central, slot: Slot = LIGHT) -> list[float]:
    source = next(site.source for site in central.sites() if site.name == SITE)
    if source is None:
        return []
    with one_site(central.url, source) as store:
        return list(store.readings(slot, 0, 4e9).times_s.tolist())
