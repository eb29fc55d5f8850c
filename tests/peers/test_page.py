"""The page in a real browser (Debian's chromium): opens, shows a drop without reload, is acknowledged."""

import asyncio
import base64
import signal
import socket
import ssl
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher

from monitor.daemon.lock import HISTORY
from monitor.history.store import Store
from tests.conftest import need_peers
from tests.show.certificate import own_certificate
from tests.whole.conftest import Farm, farm

__all__ = ["farm"]

pytestmark = pytest.mark.peer

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
]


async def page_of(farm: Farm) -> tuple[asyncio.subprocess.Process, str]:
    """A daemon with a page on a free port, and its address."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        address = f"127.0.0.1:{probe.getsockname()[1]}"
    process = await farm.daemon(address, asyncio.subprocess.DEVNULL)
    await farm.until(partial(up, farm))
    await asyncio.sleep(6)
    return process, f"http://{address}"


async def up(farm: Farm) -> bool:
    return (await farm.ask("status"))[0] == 0


@pytest.mark.parametrize("width", [1280, 360])
async def test_a_drop_appears_without_reload_and_is_acknowledged(farm: Farm, tmp_path: Path, width: int) -> None:
    need_peers("chromium")
    from playwright.async_api import async_playwright

    daemon, address = await page_of(farm)
    wrong: list[str] = []
    asked: set[str] = set()
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        page = await browser.new_page(viewport={"width": width, "height": 900})
        await page.clock.install()
        page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("request", lambda request: asked.add(request.url.split("/")[2]))
        await drops(farm, page, address, tmp_path / f"site-{width}.png")
        await seen_whole(page, width)
        await acknowledged(farm, page)
        for path in ("/alarms", "/pole/creek", "/pole/yards?range=day", "/"):
            await page.goto(address + path)
            await seen_whole(page, width)
        while_it_ran = [line for line in wrong if "ERR_INCOMPLETE" not in line]  # events, when a page is left
        daemon.kill()
        await daemon.wait()
        await page.clock.fast_forward(41_000)
        await page.wait_for_selector("#lost:not([hidden])", timeout=10_000)
        await browser.close()
    assert while_it_ran == []
    assert [line for line in wrong if "ERR_CONNECTION_" not in line and "ERR_INCOMPLETE" not in line] == []
    assert asked == {address.removeprefix("http://")}, "no request may leave the box"


async def test_a_page_that_hears_nothing_says_how_old_it_is_and_comes_back(farm: Farm, tmp_path: Path) -> None:
    """A daemon that is stopped refuses nothing and answers nothing: only what is not heard tells."""
    need_peers("chromium")
    from playwright.async_api import async_playwright

    daemon, address = await page_of(farm)
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        page = await browser.new_page(viewport={"width": 360, "height": 740})
        await page.clock.install()
        await page.goto(address)
        await page.wait_for_selector("text=All poles answer, and no alarm stands.")
        assert "newest reading" in await page.inner_text(".asof")
        daemon.send_signal(signal.SIGSTOP)
        await page.clock.fast_forward(36_000)
        assert await page.is_hidden("#lost")
        await page.clock.fast_forward(6_000)
        await page.wait_for_selector("#lost:not([hidden])", timeout=10_000)
        assert "farpole has given no sign for 40 seconds" in await page.inner_text("#lost")
        grey = await page.evaluate("getComputedStyle(document.querySelector('main h1')).color")
        assert grey == "rgb(92, 92, 92)"
        await page.clock.fast_forward(180_000)
        await page.wait_for_selector("text=no sign for 3 minutes", timeout=10_000)
        await page.screenshot(path=tmp_path / "old.png", full_page=True)
        assert await violations(page) == []
        daemon.send_signal(signal.SIGCONT)
        await page.clock.fast_forward(16_000)
        await page.wait_for_selector("#lost", state="hidden", timeout=10_000)
        assert "old" not in (await page.get_attribute("body", "class") or "")
        await browser.close()
    daemon.terminate()
    await daemon.wait()


async def violations(page: Any) -> list[tuple[str, str]]:
    """Rules of axe-core that a page breaks, with where."""
    # The policy is for what the page itself would run; what the tool evaluates is no part of the page.
    await page.evaluate(AXE.read_text(encoding="utf-8"))
    found = await page.evaluate("tags => axe.run({runOnly: tags})", RULES)
    return [(one["id"], one["nodes"][0]["html"][:120]) for one in found["violations"]]


async def drops(farm: Farm, page: Any, address: str, picture: Path) -> None:
    await page.goto(address)
    await page.wait_for_selector("text=All poles answer, and no alarm stands.")
    await page.evaluate("window.sameLoad = true")
    farm.breaks("feeder-open", "creek")
    await page.wait_for_selector("h1:has-text('creek is silent')", timeout=30_000)
    assert await page.evaluate("window.sameLoad") is True, "it must appear without a reload"
    await page.screenshot(path=picture, full_page=True)


async def acknowledged(farm: Farm, page: Any) -> None:
    await page.click("nav >> text=Alarms")
    await page.fill("input[name=who]", "jo")
    await page.click("button:has-text('Acknowledge')")
    await page.wait_for_selector("article b:has-text('ack')")
    assert (await farm.standing())["creek pole-silent"]["operator"] == "ack"


async def seen_whole(page: Any, width: int) -> None:
    """Nothing sticks out sideways."""
    assert await page.evaluate("document.documentElement.scrollWidth") <= width, page.url


PAGES = (
    "/",
    "/alarms",
    "/survey",
    "/plan",
    "/review",
    "/review/2026",
    "/pole/creek?range=day",
    "/pole/creek/here",
    "/pole/ridge",
)
AXE = resources.files("axe_playwright_python") / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
"""Tags of axe-core's rules: WCAG 2.2, levels A and AA."""


@pytest.mark.parametrize("width", [1280, 360])
async def test_every_page_is_accessible_and_keeps_to_its_policy(farm: Farm, tmp_path: Path, width: int) -> None:
    need_peers("chromium")
    from playwright.async_api import async_playwright

    daemon, address = await page_of(farm)
    wrong: list[str] = []
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        page = await browser.new_page(viewport={"width": width, "height": 900})
        page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        farm.breaks("dirty-connector", "yards")
        for path in PAGES:
            await page.goto(address + path)
            await page.wait_for_timeout(800)
            await seen_whole(page, width)
            assert await violations(page) == [], path
            await page.screenshot(path=tmp_path / f"{path.strip('/').replace('/', '-') or 'site'}-{width}.png")
        await browser.close()
    daemon.terminate()
    await daemon.wait()
    assert wrong == []


async def test_at_the_pole_each_second_before_and_after_and_a_new_baseline(farm: Farm) -> None:
    need_peers("chromium")
    from playwright.async_api import async_playwright

    daemon, address = await page_of(farm)
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        await work_at_yards(farm, await browser.new_page(viewport={"width": 360, "height": 900}), address)
        await browser.close()
    daemon.terminate()
    await daemon.wait()
    with Store(farm.settings.data / HISTORY, read_only=True) as store:
        [repair] = store.repairs()
        assert (repair.resource, repair.who, repair.text) == ("yards", "jo", "re-made the joint")
        assert "yards/optic/5 rx_dbm" in {f"{one.resource} {one.quantity}" for one in store.baselines()}
        assert [one.resource for one in store.shelves()] == ["yards"], "nobody is called while he stands there"


async def work_at_yards(farm: Farm, page: Any, address: str) -> None:
    await page.goto(f"{address}/pole/yards")
    await page.click("text=I stand at this pole")
    await page.fill("input[name=who] >> nth=0", "jo")
    await page.click("button:has-text('Begin: each second')")
    row = "tr:has-text('volts at the switch')"
    await page.wait_for_selector(row, timeout=15_000)
    farm.breaks("corroded-joint", "yards")
    times = {await page.inner_text("p.left")}
    for _ in range(12):  # beside another worker a second may take two
        await page.wait_for_timeout(500)
        times.add(await page.inner_text("p.left"))
        if len(times) >= 4:
            break
    assert len(times) >= 4, "it goes on each second"
    await page.click("button:has-text('Hold these as before')")
    await page.wait_for_selector(f"{row} >> td.before:has-text('V')")
    farm.repaired()
    await page.wait_for_timeout(3000)
    await page.click("button:has-text('Hold these as after')")
    await page.wait_for_selector(f"{row} >> td.after:has-text('V')")
    await page.fill("input[name=text]", "re-made the joint")
    await page.set_input_files("input[name=photo]", {"name": "j.png", "mimeType": "image/png", "buffer": PNG})
    await page.click("button:has-text('Keep')")
    await page.wait_for_selector("ul.done >> text=re-made the joint")
    await page.locator("ul.done img").scroll_into_view_if_needed()
    await page.wait_for_timeout(1000)
    assert await page.evaluate("document.querySelector('ul.done img').naturalWidth") == 1


PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)
"""One pixel."""


async def test_by_keyboard_alone(farm: Farm) -> None:
    """WCAG 2.1.1: everything can be done from the keyboard; 2.4.7: and the focus is seen."""
    need_peers("chromium")
    from playwright.async_api import async_playwright

    daemon, address = await page_of(farm)
    farm.breaks("feeder-open", "creek")
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        page = await browser.new_page(viewport={"width": 1280, "height": 900})
        await page.goto(f"{address}/alarms")
        await page.wait_for_selector("article.alarm", timeout=30_000)
        await page.keyboard.press("Tab")
        assert await page.evaluate("document.activeElement.textContent") == "to the content"
        for _ in range(40):
            await page.keyboard.press("Tab")
            if await page.evaluate("document.activeElement.name") == "who":
                break
        assert await page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        await page.keyboard.type("jo")
        await page.keyboard.press("Enter")
        await page.wait_for_selector("article b:has-text('ack')")
        await browser.close()
    daemon.terminate()
    await daemon.wait()


async def test_from_elsewhere_only_with_a_password_and_tls(farm: Farm, tmp_path: Path) -> None:
    secrets, port = farm.settings.secrets_file, free_port()
    assert secrets is not None
    words = [*map(str, ("--plan", farm.settings.plan_file, "--data", farm.settings.data, "--secrets", secrets))]
    refused = await output(farm.command("run", *words, "--page", f"0.0.0.0:{port}"))
    assert refused[0] == 2
    assert "nobody has a password" in refused[1]
    made = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash("a long road home")
    entry = f"  jo: {{kind: log-in, role: operator, password_argon2: '{made}'}}\n"
    secrets.write_text(secrets.read_text(encoding="utf-8").rstrip() + "\n" + entry, encoding="utf-8")
    refused = await output(farm.command("run", *words, "--page", f"0.0.0.0:{port}"))
    assert refused[0] == 2
    assert "in clear" in refused[1]
    certificate, key = own_certificate(tmp_path)
    more = ["--page", f"127.0.0.1:{port}", "--certificate", str(certificate), "--key", str(key)]
    daemon = await asyncio.create_subprocess_exec(*farm.command("run", *words, *more), stderr=asyncio.subprocess.PIPE)
    await farm.until(partial(up, farm))
    trusted = ssl.create_default_context(cafile=str(certificate))
    async with httpx.AsyncClient(verify=trusted, base_url=f"https://localhost:{port}") as client:
        assert (await client.get("/")).status_code == 200
    daemon.terminate()
    await daemon.communicate()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


async def output(command: list[str]) -> tuple[int, str]:
    process = await asyncio.create_subprocess_exec(*command, stderr=asyncio.subprocess.PIPE)
    _, err = await asyncio.wait_for(process.communicate(), 20)
    return process.returncode or 0, err.decode()


async def test_a_taken_port_is_one_line_and_monitoring_goes_on(farm: Farm) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        daemon = await farm.daemon(f"127.0.0.1:{taken.getsockname()[1]}")
        await farm.until(partial(up, farm))
        daemon.terminate()
        _, err = await daemon.communicate()
        assert daemon.returncode == 0
    lines = [line for line in err.decode().splitlines() if "no page" in line]
    assert len(lines) == 1
    assert "monitoring goes on without it" in lines[0]
