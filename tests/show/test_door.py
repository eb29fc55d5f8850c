"""The door: passwords, lock-out, sessions, tokens; and the entrance: who may come in by which way."""

import hashlib
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from pathlib import Path

import httpx
import pytest
from argon2 import PasswordHasher

from monitor.daemon.clock import HandClock
from monitor.daemon.page import Page
from monitor.daemon.secrets import LogIn
from monitor.plan.text import NotRight
from monitor.show.door import FIRST_LOCK_S, FREE_TRIES, IDLE_S, LONGEST_S, Door, Machine, Person, ShutOut
from monitor.show.entrance import Entrance
from monitor.show.ways import By, Way
from monitor.show.web import application
from tests.show.test_picture import silence
from tests.show.test_web import SENT, Quiet, Told, memory, token_of, told

__all__ = ["memory", "told"]

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""A hash that a test need not wait for; parameters travel within it (RFC 9106, the encoded form)."""
PASSWORD, TOKEN = "a long road home", "t" * 43
JO = Person("operator", CHEAP.hash(PASSWORD))
VI = Person("viewer", CHEAP.hash(PASSWORD))


def a_door() -> Door:
    return Door({"jo": JO, "vi": VI}, {"script": Machine("operator", hashlib.sha256(TOKEN.encode()).hexdigest())})


async def test_a_session_lasts_while_it_is_used_and_not_for_ever() -> None:
    door = a_door()
    secret = await door.enter("jo", PASSWORD, "10.0.0.9", 0.0)
    seen = door.visitor(secret, IDLE_S - 1)
    assert seen is not None
    assert (seen.name, seen.may_act) == ("jo", True)
    assert door.visitor(secret, 2 * IDLE_S) is None, "idle for half a day"
    at_s, secret = 0.0, await door.enter("jo", PASSWORD, "10.0.0.9", 0.0)
    while at_s < LONGEST_S - IDLE_S:
        at_s += IDLE_S - 1
        assert door.visitor(secret, at_s) is not None
    assert door.visitor(secret, LONGEST_S + 1) is None, "a month, however busy"


async def test_guessing_is_locked_out_for_longer_each_time() -> None:
    """NIST SP 800-63B section 5.2.2: failed attempts on an account are limited."""
    door = a_door()
    for _ in range(FREE_TRIES):
        with pytest.raises(ShutOut, match="is wrong"):
            await door.enter("jo", "no", "10.0.0.9", 0.0)
    with pytest.raises(ShutOut, match="try again in") as out:
        await door.enter("jo", PASSWORD, "10.0.0.7", 1.0)
    assert out.value.again_s == pytest.approx(FIRST_LOCK_S - 1)
    with pytest.raises(ShutOut, match="try again in"):
        await door.enter("vi", PASSWORD, "10.0.0.9", 1.0)
    with pytest.raises(ShutOut, match="is wrong"):
        await door.enter("jo", "no", "10.0.0.7", FIRST_LOCK_S + 1)
    with pytest.raises(ShutOut, match="try again in") as out:
        await door.enter("jo", PASSWORD, "10.0.0.7", FIRST_LOCK_S + 2)
    assert out.value.again_s == pytest.approx(2 * FIRST_LOCK_S - 1)
    assert await door.enter("jo", PASSWORD, "10.0.0.7", 4 * FIRST_LOCK_S), "the right one opens it again"


async def test_an_unknown_name_is_told_the_same() -> None:
    with pytest.raises(ShutOut, match="name or password is wrong"):
        await a_door().enter("nobody", PASSWORD, "10.0.0.9", 0.0)


async def test_whoever_is_taken_out_of_the_secrets_is_out() -> None:
    door = a_door()
    secret = await door.enter("jo", PASSWORD, "10.0.0.9", 0.0)
    other = await door.enter("vi", PASSWORD, "10.0.0.9", 0.0)
    door.replaced({"jo": replace(JO, password_argon2=CHEAP.hash("another one")), "vi": VI}, {})
    assert door.visitor(secret, 1.0) is None
    assert door.visitor(other, 1.0) is not None
    assert door.machine(TOKEN) is None


@dataclass
class Outside:
    client: httpx.AsyncClient
    told: Told

    async def enter(self, name: str = "jo", password: str = PASSWORD, to: str = "/") -> httpx.Response:
        return await self.client.post("/enter", data={"name": name, "password": password, "to": to})


@pytest.fixture
async def outside(told: Told) -> AsyncIterator[Outside]:
    desk = Quiet(HandClock(), "1")
    desk.opened(told)  # type: ignore[arg-type]  # stands in for the rounds
    entrance = Entrance(a_door(), lambda: 1000.0, network=True, secure=True)
    transport = httpx.ASGITransport(app=By(application(desk, "1", entrance), Way.PAGE), client=("10.0.0.9", 40_000))
    async with httpx.AsyncClient(transport=transport, base_url="https://farm.example.org") as client:
        yield Outside(client, told)


async def test_nobody_sees_anything_before_he_has_said_who_he_is(outside: Outside) -> None:
    answer = await outside.client.get("/pole/creek?range=day")
    assert (answer.status_code, answer.headers["location"]) == (303, "/enter?to=%2Fpole%2Fcreek%3Frange%3Dday")
    for path in ("/api/picture", "/metrics", "/events", "/api/openapi.json"):
        assert (await outside.client.get(path)).status_code == 401
    assert (await outside.client.post("/act", data=SENT)).status_code == 401
    assert "Password" in (await outside.client.get("/enter")).text


async def test_logged_in_he_looks_acts_and_leaves(outside: Outside) -> None:
    silence(outside.told.memory, "creek")
    entered = await outside.enter(to="/alarms")
    assert (entered.status_code, entered.headers["location"]) == (303, "/alarms")
    cookie = entered.headers["set-cookie"]
    for word in ("__Host-farpole=", "HttpOnly", "Secure", "SameSite=lax", "Path=/"):
        assert word in cookie
    page = (await outside.client.get("/alarms")).text
    assert (await outside.client.post("/act", data=SENT)).status_code == 403, "without the form's own token"
    assert (await outside.client.post("/act", data={**SENT, "form_token": token_of(page)})).status_code == 303
    assert (await outside.client.post("/leave", data={"form_token": token_of(page)})).status_code == 303
    assert (await outside.client.get("/alarms")).status_code == 303


async def test_a_viewer_looks_and_does_not_act(outside: Outside) -> None:
    silence(outside.told.memory, "creek")
    await outside.enter("vi")
    page = (await outside.client.get("/alarms")).text
    assert 'action="/act"' not in page
    assert (await outside.client.post("/act", data={**SENT, "form_token": token_of(page)})).status_code == 403
    assert (await outside.client.post("/api/act", json=SENT)).status_code == 403
    assert outside.told.changes == []


async def test_a_wrong_password_is_said_and_a_locked_door_says_for_how_long(outside: Outside) -> None:
    for _ in range(FREE_TRIES):
        answer = await outside.enter(password="no")
        assert answer.status_code == 401
        assert "name or password is wrong" in answer.text
    answer = await outside.enter()
    assert answer.status_code == 429
    assert answer.headers["retry-after"] == "30"


async def test_after_logging_in_one_stays_inside(outside: Outside) -> None:
    for to in ("https://evil.example/", "//evil.example/", "/\\evil.example"):
        assert (await outside.enter(to=to)).headers["location"] == "/"


async def test_a_program_acts_by_its_token_and_nothing_else_does(outside: Outside) -> None:
    silence(outside.told.memory, "creek")
    with_token = {"authorization": f"Bearer {TOKEN}"}
    assert (await outside.client.get("/metrics", headers=with_token)).status_code == 200
    assert (await outside.client.get("/api/picture", headers={"authorization": "Bearer x"})).status_code == 401
    await outside.enter()
    assert (await outside.client.post("/api/act", json=SENT)).status_code == 401, "a session alone is no proof"
    assert (await outside.client.post("/api/act", json=SENT, headers=with_token)).status_code == 200
    assert [change.what for change in outside.told.changes] == ["ack"]


async def test_behind_a_proxy_only_the_proxy_is_answered_and_it_must_end_tls(told: Told) -> None:
    desk = Quiet(HandClock(), "1")
    desk.opened(told)  # type: ignore[arg-type]  # stands in for the rounds
    entrance = Entrance(a_door(), lambda: 0.0, network=True, secure=True, proxy="127.0.0.1")
    app = By(application(desk, "1", entrance), Way.PAGE)
    for address, headers, status in (
        ("10.0.0.9", {"x-forwarded-proto": "https"}, 403),
        ("127.0.0.1", {}, 403),
        ("127.0.0.1", {"x-forwarded-proto": "http"}, 403),
        ("127.0.0.1", {"x-forwarded-proto": "https", "x-forwarded-for": "203.0.113.7"}, 200),
    ):
        transport = httpx.ASGITransport(app=app, client=(address, 40_000))
        async with httpx.AsyncClient(transport=transport, base_url="http://farm.example.org") as client:
            assert (await client.get("/enter", headers=headers)).status_code == status


KNOWN = {"jo": LogIn(kind="log-in", role="operator", password_argon2=JO.password_argon2)}


@pytest.mark.parametrize(
    ("page", "secrets", "said"),
    [
        (Page("0.0.0.0"), {}, "nobody has a password"),
        (Page("0.0.0.0"), KNOWN, "in clear"),
        (Page("::"), {}, "nobody has a password"),
        (Page("127.0.0.1", tls_proxy="127.0.0.1"), {}, "nobody has a password"),
        (Page("127.0.0.1"), {}, ""),
        (Page("0.0.0.0", certificate=Path("c"), key=Path("k")), KNOWN, ""),
        (Page("127.0.0.1", tls_proxy="127.0.0.1"), KNOWN, ""),
    ],
)
def test_a_page_is_never_open_to_a_network(page: Page, secrets: dict[str, LogIn], said: str) -> None:
    if not said:
        assert page.entrance(dict(secrets), lambda: 0.0).network is page.network
        return
    with pytest.raises(NotRight, match=re.escape(said)):
        page.entrance(dict(secrets), lambda: 0.0)


def test_a_certificate_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    (tmp_path / "c.pem").write_text("no certificate")
    with pytest.raises(NotRight, match="cannot be used"):
        Page("0.0.0.0", certificate=tmp_path / "c.pem", key=tmp_path / "c.pem").tls()
