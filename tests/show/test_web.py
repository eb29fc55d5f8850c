"""The application over ASGI: what is served, what is refused, and that nothing from a device becomes markup."""

import asyncio
import re
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.desk import Desk
from monitor.daemon.memory import Memory
from monitor.daemon.standing import AtThePole
from monitor.devices.decode.bridge import Station
from monitor.devices.decode.lldp import Neighbour
from monitor.devices.found import SwitchFound
from monitor.show.chart import Chart
from monitor.show.door import Door
from monitor.show.entrance import Entrance
from monitor.show.links import Answer, sign
from monitor.show.ways import By, Way
from monitor.show.web import application
from tests.show.test_picture import RX, WELL, silence, take

EVIL = "<script>alert('&\"x')</script>"


class Told:
    """Stands in for the rounds: a memory, and a note of what was told."""

    def __init__(self, memory: Memory) -> None:
        self.memory, self.changes = memory, list[Any]()

    async def tell(self, changes: list[Any]) -> None:
        self.changes += changes


class Quiet(Desk):
    async def chart(self, resource: str, quantity: str, title: str, from_s: float, to_s: float) -> Chart:
        return Chart(title, "dBm", [from_s, to_s], [-7.2, -7.3], [-7.1, -7.2], [-7.0, -7.1], [(-19.5, "limit")])


@pytest.fixture
def memory(design: Design) -> Memory:
    made = Memory(design)
    made.watches = dict.fromkeys(design.places, WELL)
    take(made, RX, -9.0)
    return made


@pytest.fixture
def told(memory: Memory) -> Told:
    return Told(memory)


@pytest.fixture
def entrance() -> Entrance:
    return Entrance(Door({}, {}), lambda: 1000.0)


@pytest.fixture
async def web(told: Told, entrance: Entrance, tmp_path: Path) -> AsyncIterator[httpx.AsyncClient]:
    desk = Quiet(HandClock(), "1.2.3")
    desk.opened(told)  # type: ignore[arg-type]  # stands in for the rounds
    desk.standing = AtThePole(told, Notebook(), HandClock(), tmp_path)  # type: ignore[arg-type]  # stand-ins of the same shape
    transport = httpx.ASGITransport(app=By(application(desk, "1.2.3", entrance), Way.PAGE))
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8460") as client:
        yield client


class Notebook:
    """Stands in for the keeper: nothing was done here yet."""

    async def ask(self, question: object) -> list[Any]:
        return []


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/alarms",
        "/pole/creek",
        "/pole/ridge?range=year",
        "/metrics",
        "/api/picture",
        "/api/alarms",
        "/api/itself",
        "/api/places/creek",
        "/api/openapi.json",
        "/api/chart?resource=creek/switch&quantity=input_volts",
        "/api/standing/creek",
        "/pole/creek/here",
        "/survey",
        "/plan",
        "/static/farpole.css",
    ],
)
async def test_everything_is_served_with_a_strict_policy(web: httpx.AsyncClient, path: str) -> None:
    answer = await web.get(path)
    assert answer.status_code == 200
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("path", ["/pole/nowhere", "/api/places/nowhere", "/nothing"])
async def test_what_is_not_there_is_404(web: httpx.AsyncClient, path: str) -> None:
    assert (await web.get(path)).status_code == 404


async def test_no_inline_script_and_nothing_from_elsewhere(web: httpx.AsyncClient) -> None:
    for path in ("/", "/alarms", "/pole/creek", "/pole/creek/here", "/survey", "/plan"):
        page = (await web.get(path)).text
        assert page.count("<script") == 2
        assert '<script src="/static/alive.js" defer></script>' in page
        assert '<script src="/static/farpole.js" defer></script>' in page
        assert "style=" not in page
        assert "http://" not in page
        assert "https://" not in page


async def test_names_from_outside_end_up_as_text(web: httpx.AsyncClient, told: Told) -> None:
    pole = told.memory.plan.pole("creek")
    evil = pole.model_copy(update={"place": EVIL, "access": EVIL})
    plan = told.memory.plan.model_copy(update={"poles": [evil, *told.memory.plan.poles[1:]]})
    object.__setattr__(told.memory.design, "plan", plan)
    try:
        for path in ("/", "/pole/creek"):
            page = (await web.get(path)).text
            assert "<script>alert" not in page
        assert "&lt;script&gt;" in (await web.get("/pole/creek")).text
    finally:
        original = plan.model_copy(update={"poles": [pole, *plan.poles[1:]]})
        object.__setattr__(told.memory.design, "plan", original)


async def test_what_a_stranger_calls_himself_ends_up_as_text(web: httpx.AsyncClient, told: Told) -> None:
    """Whoever plugs in at a pole may say any name by LLDP (IEEE 802.1AB sends octets, no HTML)."""
    neighbour = Neighbour(1, "1", EVIL, EVIL, EVIL, EVIL, ())
    told.memory.found["creek"] = SwitchFound("creek", True, {1: "1"}, (Station(EVIL, 1),), (neighbour,))
    told.memory.audited["creek"] = 1.0
    page = (await web.get("/survey")).text
    assert "<script>alert" not in page
    assert "&lt;script&gt;" in page


async def test_a_silent_pole_stands_on_top_with_what_to_take(web: httpx.AsyncClient, memory: Memory) -> None:
    silence(memory, "creek")
    page = (await web.get("/")).text
    assert '<h1 class="headline">creek is silent.</h1>' in page
    assert "Take along" in page
    assert "Isolate the feeder before touching DC" in page


SENT = {"resource": "creek", "type": "pole-silent", "operator": "ack", "who": "jo", "note": ""}


def token_of(page: str) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', page)
    assert found
    return found[1]


async def test_acknowledged_by_a_plain_form(web: httpx.AsyncClient, told: Told) -> None:
    silence(told.memory, "creek")
    assert (await web.post("/act", data=SENT)).status_code == 403, "a form that is not of our pages"
    form = {**SENT, "form_token": token_of((await web.get("/alarms")).text)}
    answer = await web.post("/act", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, "/alarms")
    assert [change.what for change in told.changes] == ["ack"]
    assert (await web.post("/act", data=form)).status_code == 409
    assert (await web.post("/act", data={**form, "resource": "ridge"})).status_code == 404
    assert (await web.post("/act", data={**form, "operator": "nonsense"})).status_code == 422


@pytest.mark.parametrize("headers", [{"host": "evil.example"}, {"host": "127.0.0.1.evil.example"}, {"host": ""}])
async def test_another_host_name_is_refused(web: httpx.AsyncClient, headers: dict[str, str]) -> None:
    assert (await web.get("/", headers=headers)).status_code == 403


async def test_by_the_public_name_only_signed_links_are_answered(web: httpx.AsyncClient, told: Told) -> None:
    silence(told.memory, "creek")
    told.memory.answer_key = b"k" * 32
    plan = told.memory.plan.model_copy(update={"public_url": "https://farm.example.org"})
    object.__setattr__(told.memory.design, "plan", plan)
    outside = {"host": "farm.example.org", "origin": "https://farm.example.org"}
    try:
        [alarm] = told.memory.book.alarms.values()
        link = f"/answer/{sign(b'k' * 32, Answer('jo', 'creek', 'pole-silent', '', alarm.raised_s, 4e9))}"
        for path in ("/", "/alarms", "/api/picture", "/metrics"):
            assert (await web.get(path, headers=outside)).status_code == 403
        assert (await web.post("/act", data=SENT, headers=outside)).status_code == 403
        assert (await web.get(link, headers={"host": "evil.example"})).status_code == 403
        assert (await web.post(link, headers={**outside, "origin": "https://evil.example"})).status_code == 403
        assert (await web.get("/static/farpole.css", headers=outside)).status_code == 200
        assert (await web.get(link, headers=outside)).status_code == 200
        assert told.changes == []
        assert (await web.post(link, headers=outside)).status_code == 200
    finally:
        object.__setattr__(told.memory.design, "plan", plan.model_copy(update={"public_url": None}))


async def test_a_form_from_another_page_is_refused(web: httpx.AsyncClient, told: Told) -> None:
    silence(told.memory, "creek")
    answer = await web.post("/act", data=SENT, headers={"origin": "http://evil.example"})
    assert answer.status_code == 403
    assert told.changes == []


async def test_a_large_body_is_refused(web: httpx.AsyncClient) -> None:
    assert (await web.post("/act", data={**SENT, "note": "x" * 20_000})).status_code == 403


async def test_before_the_site_is_open_it_says_so() -> None:
    desk = Desk(HandClock(), "1")
    transport = httpx.ASGITransport(app=By(application(desk, "1", Entrance(Door({}, {}), lambda: 0.0)), Way.PAGE))
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
        answer = await client.get("/api/picture")
    assert (answer.status_code, answer.json()) == (503, {"detail": "farpole is still starting"})


async def test_whoever_listens_hears_of_a_change(told: Told) -> None:
    desk = Desk(HandClock(), "1")
    desk.opened(told)  # type: ignore[arg-type]  # stands in for the rounds
    heard = desk.changes()
    waiting = asyncio.ensure_future(anext(heard))
    await asyncio.sleep(0)
    desk.changed()
    assert await asyncio.wait_for(waiting, 1) == "change"
    await heard.aclose()  # type: ignore[attr-defined]  # an async generator


async def test_a_signed_link_shows_on_get_and_acknowledges_on_post(web: httpx.AsyncClient, told: Told) -> None:
    """GET is safe, RFC 9110 section 9.2.1: a mail scanner that opens every link acknowledges nothing."""
    silence(told.memory, "creek")
    told.memory.answer_key = b"k" * 32
    [alarm] = told.memory.book.alarms.values()
    answer = Answer("jo", "creek", "pole-silent", "", alarm.raised_s, 4e9)
    link = f"/answer/{sign(b'k' * 32, answer)}"
    looked = await web.get(link)
    assert looked.status_code == 200
    assert "creek is silent." in looked.text
    assert "Isolate the feeder before touching DC" in looked.text
    assert told.changes == []
    assert "Acknowledged" in (await web.post(link)).text
    assert [change.what for change in told.changes] == ["ack"]
    assert (await web.post(link)).status_code == 409
    assert (await web.get(f"/answer/{sign(b'x' * 32, answer)}")).status_code == 404
    assert (await web.get("/answer/nonsense")).text == "this link is none of this site's\n"
    of_another_day = replace(answer, raised_s=alarm.raised_s - 60)
    assert (await web.post(f"/answer/{sign(b'k' * 32, of_another_day)}")).status_code == 404
