"""A centre as its owner runs it: made by the commands, over TLS, the simulated site reporting; pages and alarms."""

import asyncio
import json
import signal
import ssl
import subprocess
import sys
import time
import urllib.request
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor.centre.keys import new_seed
from monitor.centre.line import Line, LineDown
from monitor.centre.line import Router as Where
from monitor.centre.router import inbox_of
from monitor.daemon.centre_watch import CentreWatch
from monitor.daemon.clock import HandClock, SystemClock
from monitor.daemon.demo import lay_out, open_site
from monitor.daemon.ingesting import CentralInbox
from monitor.history.central import Central, RoundsOf
from monitor.history.store import Store
from monitor.plan.parts import Plan
from monitor.simulation.faults import Fault
from tests.conftest import need_peers
from tests.history.cluster import Cluster
from tests.peers.router import Router
from tests.peers.test_page import ARGUMENTS, AXE, RULES, free_port, seen_whole
from tests.show.certificate import own_certificate

pytestmark = pytest.mark.peer


def farpole(*words: str) -> str:
    done = subprocess.run([sys.executable, "-m", "monitor", *words], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


class Whole:
    """Everything that an owner has, in one folder."""

    def __init__(self, folder: Path, url: str, plan: Plan) -> None:
        self.folder, self.url, self.plan, self.clock = folder, url, plan, SystemClock()
        self.processes: list[subprocess.Popen[bytes]] = []
        self.secrets, self.port = folder / "centre.yaml", free_port()
        self.secrets.touch(mode=0o600)
        self.secrets.write_text("secrets:\n" + farpole("centre", "--new-key"))
        self.act = ["centre", "--history", url, "--secrets", str(self.secrets)]

    async def open(self) -> None:
        entry = farpole(*self.act, "--add-site", "tarrow-downs")
        farpole(*self.act, "--add-site", "other-farm")
        self.cert, key = own_certificate(self.folder)
        self.router = Router(self.folder, farpole(*self.act, "--router-users"), (self.cert, key))
        self.router.start()
        trusted = ["--router-authority", str(self.cert)]
        self.start("centre", *self.act, "--router", self.router.url, *trusted, "--page", f"127.0.0.1:{self.port}")
        paces = {"reach_s": 2.0, "measure_s": 4.0, "hold_s": 0.0}
        self.site = await open_site(self.plan, "centre-word", 1, self.clock.wall_s(), paces)
        self.running = asyncio.create_task(self.site.run(self.clock.wall_s, self.clock.sleep))
        settings = lay_out(self.folder, self.site.plan, "centre-word", 9, None)
        assert settings.secrets_file is not None
        settings.secrets_file.write_text(settings.secrets_file.read_text() + entry)
        self.data = settings.data
        words = ["--plan", settings.plan_file, "--data", settings.data, "--secrets", settings.secrets_file]
        report = ["--report-to", self.router.url, "--report-authority", str(self.cert)]
        self.start("site", "run", *map(str, words), "--page", "off", *report)

    def start(self, name: str, *words: str) -> None:
        with (self.folder / f"{name}.log").open("ab") as log:
            self.processes.append(subprocess.Popen([sys.executable, "-m", "monitor", *words], stderr=log))

    async def get(self, path: str) -> str:
        def got() -> str:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=20) as answer:
                return str(answer.read().decode())

        return await asyncio.to_thread(got)

    async def until(self, path: str, says: str, timeout_s: float = 60) -> str:
        until_s, page = time.monotonic() + timeout_s, ""
        while says not in page:
            logs = "\n".join((self.folder / f"{name}.log").read_text()[-2000:] for name in ("centre", "site"))
            assert time.monotonic() < until_s, f"{page[-2000:]}\n{logs}"
            try:
                page = await self.get(path)
            except OSError:
                page = ""
            await asyncio.sleep(0.3)
        return page

    async def close(self) -> None:
        for process in self.processes:
            process.send_signal(signal.SIGTERM)
        for process in self.processes:
            await asyncio.to_thread(process.wait, 20)
        self.running.cancel()
        await asyncio.gather(self.running, return_exceptions=True)
        self.site.close()
        self.router.kill()


async def accessible(address: str, paths: tuple[str, ...]) -> None:
    """WCAG 2.2 AA by axe-core, on a screen and on a telephone; nothing runs off the side."""
    need_peers("chromium")
    from playwright.async_api import async_playwright

    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        for width in (1280, 360):
            page = await browser.new_page(viewport={"width": width, "height": 900})
            for path in paths:
                await page.goto(address + path)
                await seen_whole(page, width)
                await page.evaluate(AXE.read_text(encoding="utf-8"))
                found = await page.evaluate("tags => axe.run({runOnly: tags})", RULES)
                assert [(one["id"], one["nodes"][0]["html"][:120]) for one in found["violations"]] == [], path
            await page.close()
        await browser.close()


@pytest.fixture
async def whole(tmp_path: Path, cluster: Cluster, tarrow: Plan) -> AsyncIterator[Whole]:
    made = Whole(tmp_path, cluster.new_database(), tarrow)
    await made.open()
    try:
        yield made
    finally:
        await made.close()


async def test_a_pole_that_drops_is_seen_at_the_centre(whole: Whole) -> None:
    await whole.until("/api/sites", '"called":"Tarrow Downs"')
    await whole.until("/site/tarrow-downs/", "All poles answer")
    whole.site.world.faults = [Fault("feeder-open", "creek", whole.clock.wall_s())]
    fell_s = time.monotonic()
    home = await whole.until("/", "Silent poles: creek (Tarrow Downs)")
    assert time.monotonic() - fell_s < 30
    assert "not yet heard" in home, "the farm that has never reported"
    site = await whole.get("/site/tarrow-downs/")
    assert "creek is silent" in site
    assert 'href="/site/tarrow-downs/pole/creek"' in site
    assert "<form" not in site, "people act at the site itself"
    for page in ("alarms", "plan", "pole/creek", "review"):
        assert "Tarrow Downs" in await whole.get(f"/site/tarrow-downs/{page}"), page
    await accessible(f"http://127.0.0.1:{whole.port}", ("/", "/site/tarrow-downs/", "/site/tarrow-downs/pole/creek"))
    own = farpole("status", "--self", "--data", str(whole.data))
    assert f"{whole.router.url}: told; it answered " in own
    metrics = await whole.get("/metrics")
    assert 'farpole_site_poles_silent{site="tarrow-downs"} 1.0' in metrics
    of_site = await whole.get("/site/tarrow-downs/metrics")
    assert 'farpole_place_answers{place="creek",site="tarrow-downs"} 0.0' in of_site
    picture: dict[str, Any] = json.loads(await whole.get("/api/site/tarrow-downs/picture"))
    states = {pole["name"]: pole["state"] for pole in picture["poles"]}
    assert states == {"creek": "silent", "ridge": "not seen", "woolshed": "not seen", "yards": "answers"}
    assert "last heard" in farpole(*whole.act, "--sites")
    farpole(*whole.act, "--shut-out", "tarrow-downs")
    assert "tarrow-downs: " in farpole(*whole.act, "--sites")
    assert "; shut out" in farpole(*whole.act, "--sites")


async def test_a_router_whose_certificate_is_not_trusted_is_not_spoken_to(whole: Whole) -> None:
    """TLS: the site says why, and tells nobody anything."""
    line = Line(Where(whole.router.url, new_seed(), inbox_of("tarrow-downs")))
    with pytest.raises((LineDown, ssl.SSLError), match=r"(?i)certificate"):
        await line.open()


async def test_a_site_that_falls_silent_is_told_of_once(cluster: Cluster) -> None:
    """By whoever of two processes holds the lease; and again when it is heard."""
    clock, url = HandClock(), cluster.new_database()
    central, own = Central(url), Store(url)
    sent: list[tuple[str, str]] = []

    class Taken:
        async def send(self, to: str, subject: str, body: str, attachment: str = "") -> str | None:
            sent.append((to, subject))
            return None

    inbox = CentralInbox(central, clock.monotonic_s, 2)
    watches = [
        CentreWatch(inbox, own, Taken(), ["desk"], clock, ZoneInfo("UTC"))  # type: ignore[arg-type]  # only sends
        for _ in range(2)
    ]
    numbers = iter(range(1, 100))

    def heard(name: str) -> None:
        if central.known(name)[1] == 0:
            central.keep(name, {"number": next(numbers), "kind": "begin", "history": name}, (), clock.wall_s())
        else:
            central.keep_rounds([RoundsOf(name, next(numbers), (), None, None, clock.wall_s())])

    for name in ("tarrow-downs", "other-farm"):
        central.add(name, "UKEY", clock.wall_s())
        heard(name)
    for minute in range(12):
        clock.set_wall(clock.wall_s() + 60)
        heard("other-farm")
        if minute == 9:
            heard("tarrow-downs")
        for watch in watches:
            await watch._look()
    assert sent == [("desk", "tarrow-downs is silent"), ("desk", "tarrow-downs is heard again")]
    inbox.close()
    central.close()
    own.close()
