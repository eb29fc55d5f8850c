"""A centre's pages: to be looked at only, shut as a site's own, and whole whatever one of its sites says of itself."""

import math
from typing import Any

import httpx
import pytest

from monitor.show import farms
from monitor.show.centre_web import centre_application
from monitor.show.door import Door
from monitor.show.entrance import Entrance
from monitor.show.farms import Farms, Standing
from monitor.show.ports import Looked
from monitor.show.ways import By, Way
from tests.show.test_door import TOKEN, a_door

NOW_S = 1_790_000_000.0


class Sites:
    """Two sites; the first says of itself whatever a test wants."""

    def __init__(self, about: Any = None, standing: tuple[Standing, ...] = ()) -> None:
        self._about, self._standing = about, standing

    async def farms(self) -> Farms:
        told = {"liar": self._about, "honest": {"name": "Honest Farm", "poles": 3, "ends": []}}
        heard = [("liar", NOW_S, False), ("honest", NOW_S, False)]
        return farms.compose(heard, self._standing, told, [], NOW_S, "1")

    async def site(self, name: str) -> Looked:
        raise KeyError(name)


def behind(sites: Sites, entrance: Entrance) -> By:
    return By(centre_application(sites, "1", entrance), Way.PAGE)


async def looked_at(sites: Sites, path: str = "/") -> httpx.Response:
    transport = httpx.ASGITransport(app=behind(sites, Entrance(Door({}, {}), lambda: 0.0)), raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8460") as client:
        return await client.get(path)


ALARM = {
    "site": "liar",
    "resource": "creek",
    "type": "pole-silent",
    "severity": "critical",
    "operator": "none",
    "text": "creek is silent",
    "raised_s": NOW_S,
}
END = {"pole": "creek", "words": "light ends in May", "months": 7.0}


@pytest.mark.parametrize(
    "about",
    [
        [],
        "text",
        None,
        {"name": ["a"], "poles": "many", "ends": 7},
        {"name": 7, "poles": 1e300, "ends": [7, None, {}]},
        {"name": "a\ud800b", "poles": -3},
        {"name": "x" * 1_000_000},
        {"name": "ok\x1b[2J\u202e\nHonest Farm"},
        {"name": "n", "poles": math.nan, "ends": [{**END, "months": "soon"}, {**END, "months": math.nan}, END]},
        {"name": "n", "ends": [{**END, "pole": "../../honest/\ud800"}]},
        {"name": "n", "ends": [END] * 100_000},
        {"name": "<script>alert(1)</script>", "ends": [{**END, "words": "<img src=x onerror=alert(1)>"}]},
    ],
)
async def test_whatever_one_site_says_of_itself_the_others_are_shown(about: Any) -> None:
    for path in ("/", "/api/sites", "/metrics"):
        came = await looked_at(Sites(about), path)
        assert came.status_code == 200, path
        if path != "/metrics":
            assert "Honest Farm" in came.text
        assert len(came.text) < 100_000
        assert not any(one in came.text for one in ("\x1b", "\u202e"))
        assert path != "/" or not any(one in came.text for one in ("<script>alert", "<img src=x"))


@pytest.mark.parametrize(
    "change",
    [
        {"raised_s": math.nan},
        {"raised_s": 1e300},
        {"raised_s": -1e300},
        {"raised_s": None},
        {"severity": "harmless"},
        {"severity": None},
        {"operator": "\x1b[2J"},
        {"type": "no such type"},
        {"text": "a\x1b[2J\u202eb" + "x" * 1_000_000},
        {"resource": '"><script>alert(1)</script>'},
    ],
)
async def test_whatever_one_site_says_of_an_alarm_the_others_are_shown(change: dict[str, Any]) -> None:
    standing = (farms.told(**{**ALARM, **change}),)
    for path in ("/", "/api/sites", "/metrics"):
        came = await looked_at(Sites({"name": "Liar"}, standing), path)
        assert came.status_code == 200, path
        assert len(came.text) < 100_000
        assert not any(one in came.text for one in ("\x1b", "\u202e"))
        assert path != "/" or "<script>alert" not in came.text


PATHS = (
    "/",
    "/metrics",
    "/api/sites",
    "/site/honest/",
    "/site/honest/alarms",
    "/site/honest/plan",
    "/site/honest/pole/a",
)
ACTS = ("/api/act", "/act", "/ack", "/shelve", "/site/honest/alarms/ack", "/site/honest/pole/a/note", "/api/note")


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
async def test_nothing_can_be_done_at_a_centre_but_logging_in_and_out(method: str) -> None:
    """An operator's token is no more than a viewer's here: there is nothing to act on."""
    app = behind(Sites(), Entrance(a_door(), lambda: 0.0, network=True, secure=True))
    transport = httpx.ASGITransport(app=app, client=("10.0.0.9", 40_000))
    sent = {"Authorization": f"Bearer {TOKEN}"}
    async with httpx.AsyncClient(transport=transport, base_url="https://centre.example.org", headers=sent) as client:
        assert (await client.get("/api/sites")).status_code == 200
        for path in (*PATHS, *ACTS):
            assert (await client.request(method, path)).status_code in (403, 404, 405), path
        described = (await client.get("/api/openapi.json")).json()["paths"]
    assert {verb for one in described.values() for verb in one} == {"get"}


async def test_a_centre_s_page_shows_nothing_to_a_stranger() -> None:
    app = behind(Sites(), Entrance(a_door(), lambda: 0.0, network=True, secure=True))
    transport = httpx.ASGITransport(app=app, client=("10.0.0.9", 40_000))
    async with httpx.AsyncClient(transport=transport, base_url="https://centre.example.org") as client:
        for path in ("/", "/metrics", "/site/honest/", "/site/honest/plan"):
            assert (await client.get(path)).status_code in (303, 401, 403), path
        assert (await client.get("/api/sites")).status_code == 401


async def test_behind_a_proxy_only_the_proxy_is_answered_at_a_centre_too() -> None:
    app = behind(Sites(), Entrance(a_door(), lambda: 0.0, network=True, secure=True, proxy="127.0.0.1"))
    for address, headers, status in (
        ("10.0.0.9", {"x-forwarded-proto": "https"}, 403),
        ("127.0.0.1", {}, 403),
        ("127.0.0.1", {"x-forwarded-proto": "https, http"}, 403),
        ("127.0.0.1", {"x-forwarded-proto": "https", "x-forwarded-for": "203.0.113.7"}, 200),
    ):
        transport = httpx.ASGITransport(app=app, client=(address, 40_000))
        async with httpx.AsyncClient(transport=transport, base_url="http://centre.example.org") as client:
            assert (await client.get("/enter", headers=headers)).status_code == status


async def test_a_connection_without_an_address_is_no_visitor_at_a_centre() -> None:
    """As one has none that its client has reset already."""
    app = behind(Sites(), Entrance(a_door(), lambda: 0.0, network=True, secure=True))
    transport = httpx.ASGITransport(app=app, client=None)  # type: ignore[arg-type]  # a reset connection has none
    async with httpx.AsyncClient(transport=transport, base_url="https://centre.example.org") as client:
        assert (await client.get("/api/sites")).status_code in (401, 403)
