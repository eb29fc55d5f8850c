"""The page in a real browser (Debian's chromium): opens, shows a drop without reload, is acknowledged."""

import asyncio
import socket
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import need_peers
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
        page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("request", lambda request: asked.add(request.url.split("/")[2]))
        await drops(farm, page, address, tmp_path / f"site-{width}.png")
        await seen_whole(page, width)
        await acknowledged(farm, page)
        for path in ("/alarms", "/pole/creek", "/pole/yards?range=day", "/"):
            await page.goto(address + path)
            await seen_whole(page, width)
        daemon.kill()
        await daemon.wait()
        await page.wait_for_selector("#lost:not([hidden])", timeout=10_000)
        await browser.close()
    assert [line for line in wrong if "ERR_CONNECTION_REFUSED" not in line and "ERR_INCOMPLETE" not in line] == []
    assert asked == {address.removeprefix("http://")}, "no request may leave the box"


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
    assert await page.evaluate("document.documentElement.scrollWidth") <= width


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
