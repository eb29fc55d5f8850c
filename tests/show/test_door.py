"""The door: passwords, lock-out, sessions, tokens; and the entrance: who may come in by which way."""

import asyncio
import hashlib
import re
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import httpx
import pytest
from argon2 import PasswordHasher
from fastapi import Request
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.daemon.clock import HandClock
from monitor.daemon.page import Page, page_of
from monitor.daemon.secrets import LogIn
from monitor.plan.text import NotRight
from monitor.show import door as door_module
from monitor.show import tries
from monitor.show.door import IDLE_S, LONGEST_S, Door, Machine, Person, ShutOut
from monitor.show.entrance import Entrance, over_tls, refused_for
from monitor.show.tries import FIRST_LOCK_S, FREE_TRIES
from monitor.show.ways import By, Way, marked
from monitor.show.web import application
from tests.show.test_picture import silence
from tests.show.test_web import SENT, Quiet, Told, memory, token_of, told

__all__ = ["memory", "told"]

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""A hash that a test need not wait for; parameters travel within it (RFC 9106, the encoded form)."""
PASSWORD, TOKEN = "a long road home", "t" * 43
JO = Person("operator", CHEAP.hash(PASSWORD))
VI = Person("viewer", CHEAP.hash(PASSWORD))


@pytest.fixture(autouse=True, scope="module")
def cheap() -> Iterator[None]:
    """Also what stands for the password of a name that nobody has."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(door_module, "PasswordHasher", lambda: CHEAP)
        yield


def at(now_s: float) -> Callable[[], float]:
    """A clock that stands."""
    return lambda: now_s


def a_door() -> Door:
    return Door({"jo": JO, "vi": VI}, {"script": Machine("operator", hashlib.sha256(TOKEN.encode()).hexdigest())})


async def test_a_session_lasts_while_it_is_used_and_not_for_ever() -> None:
    door = a_door()
    secret = await door.enter("jo", PASSWORD, "10.0.0.9", at(0.0))
    seen = door.visitor(secret, IDLE_S - 1)
    assert seen is not None
    assert (seen.name, seen.may_act) == ("jo", True)
    assert door.visitor(secret, 2 * IDLE_S) is None, "idle for half a day"
    at_s, secret = 0.0, await door.enter("jo", PASSWORD, "10.0.0.9", at(0.0))
    while at_s < LONGEST_S - IDLE_S:
        at_s += IDLE_S - 1
        assert door.visitor(secret, at_s) is not None
    assert door.visitor(secret, LONGEST_S + 1) is None, "a month, however busy"


async def guessed(door: Door, address: str, at_s: float = 0.0, name: str = "jo") -> None:
    with pytest.raises(ShutOut, match="is wrong"):
        await door.enter(name, "no", address, at(at_s))


async def test_guessing_is_locked_out_for_longer_each_time() -> None:
    """NIST SP 800-63B section 5.2.2: failed attempts on an account are limited."""
    door = a_door()
    for _ in range(FREE_TRIES):
        await guessed(door, "10.0.0.9")
    with pytest.raises(ShutOut, match="try again in") as out:
        await door.enter("jo", PASSWORD, "10.0.0.9", at(1.0))
    assert out.value.again_s == pytest.approx(FIRST_LOCK_S - 1)
    await guessed(door, "10.0.0.9", FIRST_LOCK_S + 1)
    with pytest.raises(ShutOut, match="try again in") as out:
        await door.enter("jo", PASSWORD, "10.0.0.9", at(FIRST_LOCK_S + 2))
    assert out.value.again_s == pytest.approx(2 * FIRST_LOCK_S - 1)
    assert await door.enter("jo", PASSWORD, "10.0.0.9", at(4 * FIRST_LOCK_S)), "the right one opens it again"


async def test_strangers_who_guess_do_not_lock_the_owner_out() -> None:
    door = a_door()
    for address in ("203.0.113.9", "203.0.113.10"):
        for _ in range(FREE_TRIES - 1):
            await guessed(door, address)
    assert await door.enter("jo", PASSWORD, "10.0.0.7", at(1.0))


class Later:
    """A clock that goes on by the loop's own, much faster."""

    def __init__(self, times: float) -> None:
        self._times, self._began_s = times, asyncio.get_running_loop().time()

    def __call__(self) -> float:
        return (asyncio.get_running_loop().time() - self._began_s) * self._times


async def test_a_name_under_attack_goes_the_slow_path_and_the_right_password_opens(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Late, and not refused; another name is as quick as ever, and so is a device that is known."""
    monkeypatch.setattr(tries, "NAME_EACH_S", 0.4)
    door = a_door()
    seen_before = door.device_of("jo")
    now = Later(1.0)
    for n in range(tries.NAME_TRIES):
        with pytest.raises(ShutOut, match="is wrong"):
            await door.enter("jo", "no", f"203.0.113.{n}", now)
    began_s = now()
    assert await door.enter("vi", PASSWORD, "10.0.0.7", now)
    assert await door.enter("jo", PASSWORD, "203.0.113.77", now, seen_before)
    assert now() - began_s < 0.2
    strangers = [asyncio.ensure_future(door.enter("jo", "no", f"198.51.100.{n % 2}", now)) for n in range(12)]
    await asyncio.sleep(0)
    assert await door.enter("jo", PASSWORD, "10.0.0.7", now)
    assert 0.1 < now() - began_s < 2.0, "those with many that wait do not come first"
    await ended(strangers)


async def ended(tasks: list[asyncio.Task[str]]) -> None:
    for one in tasks:
        one.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


async def test_strangers_that_keep_the_queue_full_do_not_keep_the_owner_out() -> None:
    door = a_door()
    strangers = [asyncio.ensure_future(door.enter(f"n{i}", "no", "203.0.113.9", at(0.0))) for i in range(200)]
    await asyncio.sleep(0)
    assert await door.enter("jo", PASSWORD, "10.0.0.7", at(1.0))
    await ended(strangers)
    assert await door.enter("vi", PASSWORD, "10.0.0.7", at(2.0)), "nobody's turn was lost with those who left"


async def test_many_guesses_at_once_are_counted_like_one_after_the_other() -> None:
    door = a_door()
    said = await asyncio.gather(
        *(door.enter("jo", "no", "203.0.113.9", at(0.0)) for _ in range(20)), return_exceptions=True
    )
    assert sum("is wrong" in str(one) for one in said) == FREE_TRIES
    assert door.wrong_passwords == FREE_TRIES


async def test_a_device_is_known_by_what_it_was_given_and_by_nothing_else() -> None:
    """The mark is signed by the password that is in force, and is of one person."""
    door, mark = a_door(), a_door().device_of("jo")
    for _ in range(FREE_TRIES):
        await guessed(door, "10.0.0.9")
    with pytest.raises(ShutOut, match="too many"):
        await door.enter("jo", PASSWORD, "10.0.0.9", at(1.0))
    for forged in ("", "x.y", mark[:-1] + "é", a_door().device_of("vi"), mark.replace(".", "..")):
        with pytest.raises(ShutOut, match="too many"):
            await door.enter("jo", PASSWORD, "10.0.0.9", at(1.0), forged)
    assert await door.enter("jo", PASSWORD, "10.0.0.9", at(1.0), mark), "its neighbour's guesses are not its own"
    door.replaced({"jo": replace(JO, password_argon2=CHEAP.hash("another one"))}, {})
    with pytest.raises(ShutOut, match="too many"):
        await door.enter("jo", "another one", "10.0.0.9", at(1.0), mark)


async def test_wrong_passwords_are_logged_on_one_line_and_not_without_end(caplog: pytest.LogCaptureFixture) -> None:
    door = a_door()
    for n in range(70):
        await guessed(door, f"203.0.113.{n}", name=f"\x1b[31mjo\n{n:04}" + "x" * 60)
    lines = [one.getMessage() for one in caplog.records if one.name == "monitor.show.door"]
    assert len(lines) == 20 + 2, "the first twenty, and the 32nd and the 64th"
    assert lines[0].startswith("wrong password for ·[31mjo / 0000xx")
    assert lines[0].endswith("… from 203.0.113.0; 1 since the start")
    assert all(one.isprintable() and len(one) < 120 for one in lines)
    assert door.wrong_passwords == 70


@given(st.text(), st.text(), st.text(), st.text())
@settings(deadline=None, max_examples=60)
def test_any_text_at_the_door_is_a_wrong_password(name: str, password: str, address: str, device: str) -> None:
    with pytest.raises(ShutOut):
        asyncio.run(a_door().enter(name, password, address, at(0.0), device))


async def test_an_unknown_name_is_told_the_same() -> None:
    with pytest.raises(ShutOut, match="name or password is wrong"):
        await a_door().enter("nobody", PASSWORD, "10.0.0.9", at(0.0))


async def test_whoever_is_taken_out_of_the_secrets_is_out() -> None:
    door = a_door()
    secret = await door.enter("jo", PASSWORD, "10.0.0.9", at(0.0))
    other = await door.enter("vi", PASSWORD, "10.0.0.9", at(0.0))
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
    own = {name: one for name, one in SENT.items() if name != "who"}
    assert (await outside.client.post("/api/act", json=own, headers=with_token)).status_code == 200
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


def came(*lines: tuple[str, str], client: str | None = "127.0.0.1", scheme: str = "http") -> Request:
    """A request with these lines of headers."""
    headers = [(name.encode(), value.encode()) for name, value in lines]
    scope = {"type": "http", "headers": headers, "client": client and (client, 4), "scheme": scheme, "path": "/"}
    return Request({**scope, "method": "GET", **marked(Way.PAGE if client else Way.COMMAND)})


def test_the_last_address_of_the_last_line_counts() -> None:
    """RFC 9110, 5.3: several lines are one list in order; a proxy adds at the end, a stranger sends the beginning."""
    behind = Entrance(a_door(), lambda: 0.0, network=True, secure=True, proxy="127.0.0.1")
    lines = (("x-forwarded-for", "198.51.100.1, 198.51.100.2"), ("x-forwarded-for", "198.51.100.3, 203.0.113.7 "))
    assert behind.address(came(*lines)) == "203.0.113.7"
    assert behind.address(came()) == "127.0.0.1"
    assert Entrance(a_door(), lambda: 0.0, network=True).address(came(*lines, client="10.0.0.9")) == "10.0.0.9"
    told_first = (("x-forwarded-proto", "https"), ("x-forwarded-proto", "http"))
    assert "must end TLS" in refused_for(came(*told_first), behind)
    assert refused_for(came(*reversed(told_first)), behind) == ""


@pytest.mark.parametrize(
    ("proxy", "request_", "said"),
    [
        ("", came(client="10.0.0.9", scheme="https"), True),
        ("", came(client="10.0.0.9"), False),
        ("127.0.0.1", came(("x-forwarded-proto", "https")), True),
        ("127.0.0.1", came(("x-forwarded-proto", "http")), False),
        ("127.0.0.1", came(("x-forwarded-proto", "https"), client=None), False),
    ],
)
def test_what_came_over_tls(proxy: str, request_: Request, said: bool) -> None:
    entrance = Entrance(a_door(), lambda: 0.0, network=True, secure=True, proxy=proxy)
    assert over_tls(request_, entrance) is said


async def test_over_tls_a_browser_is_told_to_come_by_tls_alone(outside: Outside, told: Told) -> None:
    """RFC 6797, 7.1 and 7.2: in answers over TLS, and in no others; ASVS 4.0.3, 14.4.5."""
    for path in ("/enter", "/", "/api/picture", "/static/farpole.css"):
        assert (await outside.client.get(path)).headers["strict-transport-security"] == "max-age=31536000"
    desk = Quiet(HandClock(), "1")
    desk.opened(told)  # type: ignore[arg-type]  # stands in for the rounds
    transport = httpx.ASGITransport(app=By(application(desk, "1", Entrance(Door({}, {}), lambda: 0.0)), Way.PAGE))
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8460") as client:
        assert "strict-transport-security" not in (await client.get("/")).headers


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


@pytest.mark.parametrize("text", ["127.0.0.1", ":8460", "127.0.0.1:", "127.0.0.1:0", "127.0.0.1:65536", "127.0.0.1:²"])
def test_where_a_page_listens_is_an_address_and_a_port(text: str) -> None:
    with pytest.raises(ValueError, match="is not ADDRESS:PORT or off"):
        page_of(text, None, None, "")


def test_a_certificate_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    (tmp_path / "c.pem").write_text("no certificate")
    with pytest.raises(NotRight, match="cannot be used"):
        Page("0.0.0.0", certificate=tmp_path / "c.pem", key=tmp_path / "c.pem").tls()
