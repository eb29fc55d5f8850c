"""Under which name an act is kept: the visitor's own, by every way in, whatever a form or a body says."""

import asyncio
import hashlib
import http.client
import os
import pwd
import socket
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI, HTTPException, Request
from hypothesis import given
from hypothesis import strategies as st

from monitor.daemon.clock import HandClock
from monitor.facts.printable import one_line
from monitor.show.door import Door, Machine, Visitor
from monitor.show.entrance import Entrance
from monitor.show.porch import local_user
from monitor.show.serve import Serving
from monitor.show.ways import By, Way
from monitor.show.web import application
from monitor.show.who import kept_as
from tests.show.test_door import JO, PASSWORD, TOKEN, cheap
from tests.show.test_picture import silence
from tests.show.test_web import Quiet, Told, memory, token_of, told

__all__ = ["cheap", "memory", "told"]

JO_HERE, SCRIPT = Visitor("jo", "operator", "t"), Visitor("script", "operator", "")
SAM_AT_THE_BOX, NOBODY = Visitor("sam", "operator", "t", at_the_box=True), Visitor("", "operator", "t")


@given(st.text(max_size=60))
def test_whoever_is_known_is_kept_under_his_own_name(said: str) -> None:
    for visitor in (JO_HERE, SCRIPT):
        if one_line(said) in ("", visitor.name):
            assert kept_as(visitor, said) == visitor.name
            continue
        with pytest.raises(HTTPException) as refused:
            kept_as(visitor, said)
        assert refused.value.status_code == 403
        assert str(refused.value.detail).isprintable()
    assert kept_as(SAM_AT_THE_BOX, said).endswith(("sam", "(entered by sam)"))
    assert kept_as(SAM_AT_THE_BOX, said).isprintable()


def test_at_the_box_one_may_enter_what_another_did_and_both_are_named() -> None:
    assert kept_as(SAM_AT_THE_BOX, "") == kept_as(SAM_AT_THE_BOX, "sam") == "sam"
    assert kept_as(SAM_AT_THE_BOX, "jo") == "jo (entered by sam)"


def test_where_nobody_logs_in_a_name_must_be_said() -> None:
    assert kept_as(NOBODY, "jo") == "jo"
    with pytest.raises(HTTPException, match="say who you are"):
        kept_as(NOBODY, " ")


@dataclass
class Heard:
    """Stands in for everything that is acted on: which name each act came under."""

    names: list[tuple[str, str]] = field(default_factory=list)

    def act(self, what: str, place: int) -> Any:
        async def heard(*given: Any) -> dict[str, Any]:
            self.names.append((what, given[place]))
            return {}

        return heard


class Desk(Quiet):
    """Nothing is done; each act is heard."""

    heard: Heard

    @property
    def turning_up(self) -> Any:
        return self

    def begin(self, *given: Any) -> None:
        self.heard.names.append(("turn up", given[1]))

    def state(self) -> dict[str, Any]:
        return {}


@pytest.fixture
async def way(told: Told) -> AsyncIterator[tuple[httpx.AsyncClient, Heard]]:
    silence(told.memory, "creek")
    desk, heard = Desk(HandClock(), "1"), Heard()
    desk.heard = heard
    desk.opened(told)  # type: ignore[arg-type]  # stands in for the rounds
    for name, place in (("operate", 4), ("note", 1), ("cycle", 2), ("shelve", 3), ("drill", 2)):
        setattr(desk, name, heard.act(name, place))
    desk.standing = desk  # type: ignore[assignment]  # stands in for the at-the-pole view
    desk.stamp = heard.act("stamp", 2)  # type: ignore[attr-defined]  # the same
    door = Door({"jo": JO}, {"script": Machine("operator", hashlib.sha256(TOKEN.encode()).hexdigest())})
    entrance = Entrance(door, lambda: 1000.0, network=True, secure=True)
    transport = httpx.ASGITransport(app=By(application(desk, "1", entrance), Way.PAGE), client=("10.0.0.9", 40_000))
    async with httpx.AsyncClient(transport=transport, base_url="https://farm.example.org") as client:
        yield client, heard


BODIES: dict[str, dict[str, Any]] = {
    "/api/act": {"resource": "creek", "type": "pole-silent", "operator": "ack"},
    "/api/notes": {"place": "creek", "text": "cleaned"},
    "/api/cycle": {"pole": "creek", "port": "1", "why": "hangs", "confirmed": True},
    "/api/drill": {"pole": "creek"},
    "/api/turnup": {"pole": "creek"},
    "/api/shelves": {"resource": "creek"},
    "/api/shelves/end": {"resource": "creek"},
}


async def test_a_program_acts_under_the_name_of_its_token(way: tuple[httpx.AsyncClient, Heard]) -> None:
    client, heard = way
    with_token = {"authorization": f"Bearer {TOKEN}"}
    paths = (await client.get("/api/openapi.json", headers=with_token)).json()["paths"]
    assert {path for path, has in paths.items() if "post" in has} == set(BODIES), "every one is tried below"
    for path, body in BODIES.items():
        refused = await client.post(path, json={**body, "who": "jo"}, headers=with_token)
        assert (refused.status_code, refused.json()) == (
            403,
            {"detail": "you are script here and cannot act as jo; leave out who"},
        )
    assert heard.names == []
    for path, body in BODIES.items():
        if path not in ("/api/act", "/api/shelves/end"):
            assert (await client.post(path, json=body, headers=with_token)).status_code == 200
    assert [name for _, name in heard.names] == ["script"] * 5


FORMS: dict[str, dict[str, str]] = {
    "/act": {"resource": "creek", "type": "pole-silent", "operator": "ack"},
    "/cycle": {"pole": "creek", "port": "1", "why": "hangs", "confirmed": "true"},
    "/pole/creek/here": {"shelve": "true"},
    "/pole/creek/here/stamp": {"which": "before"},
    "/pole/creek/here/note": {"text": "cleaned"},
}


async def test_a_person_acts_under_his_own_name_and_is_not_asked_for_it(
    way: tuple[httpx.AsyncClient, Heard],
) -> None:
    client, heard = way
    await client.post("/enter", data={"name": "jo", "password": PASSWORD, "to": "/"})
    page = (await client.get("/alarms")).text
    assert 'name="who"' not in page
    for path, form in FORMS.items():
        form = {**form, "form_token": token_of(page)}
        assert (await client.post(path, data={**form, "who": "sam"})).status_code == 403
        assert heard.names == []
    for path, form in FORMS.items():
        if path != "/pole/creek/here":
            await client.post(path, data={**form, "form_token": token_of(page)})
    assert {name for _, name in heard.names} == {"jo"}
    assert [what for what, _ in heard.names] == ["operate", "cycle", "stamp", "note"]


async def test_the_command_socket_says_who_has_connected(tmp_path: Path) -> None:
    """SO_PEERCRED of unix(7), against what the system says of this process."""
    app, seen = FastAPI(), list[Any]()

    @app.get("/")
    async def home(request: Request) -> dict[str, str]:
        seen.append(local_user(request))
        return {}

    local, network = socket.socket(socket.AF_UNIX), socket.create_server(("127.0.0.1", 0))
    local.bind(str(tmp_path / "s"))
    serving = [Serving(app, [local]), Serving(app, [network])]
    for one in serving:
        await one.start()

    def ask(connected: socket.socket) -> None:
        connection = http.client.HTTPConnection("localhost")
        connection.sock = connected
        connection.request("GET", "/")
        assert connection.getresponse().status == 200
        connection.close()

    by_path = socket.socket(socket.AF_UNIX)
    by_path.connect(str(tmp_path / "s"))
    await asyncio.to_thread(ask, by_path)
    await asyncio.to_thread(ask, socket.create_connection(network.getsockname()))
    assert seen == [pwd.getpwuid(os.getuid()).pw_name, ""]
    for one in serving:
        await one.close()
