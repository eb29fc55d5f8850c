"""Requests as octets on a real socket: whatever is sent, no answer is a failure of ours and no log has a traceback.

RFC 9110 section 15.6: 5xx says that the server erred; a request that cannot be right is a 400.
"""

import asyncio
import json
import logging
import re
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.memory import Memory
from monitor.daemon.standing import AtThePole
from monitor.show.door import Door
from monitor.show.entrance import Entrance
from monitor.show.porch import Room
from monitor.show.ports import Refused
from monitor.show.serve import Serving
from monitor.show.ways import By, Way
from monitor.show.web import application
from tests.show.test_door import PASSWORD, TOKEN, a_door, cheap
from tests.show.test_picture import WELL, silence
from tests.show.test_web import Notebook, Quiet, Told

__all__ = ["cheap"]


@dataclass
class Served:
    """A running server in a thread of its own."""

    port: int
    failures: list[logging.LogRecord]

    def answer(self, octets: bytes) -> bytes:
        """What comes back on a connection of its own, until it ends or nothing more comes."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=5) as one:
            one.sendall(octets)
            one.settimeout(0.4)
            came = b""
            try:
                while more := one.recv(65_536):
                    came += more
            except (TimeoutError, ConnectionResetError):
                pass  # it waits for more of the request, or has ended it in the middle: both are answers
            return came

    def statuses(self, octets: bytes) -> list[int]:
        """Every status in what comes back."""
        return [int(one) for one in re.findall(rb"(?m)^HTTP/1\.1 (\d{3})", self.answer(octets))]


class Ready(Quiet):
    """Whatever is asked for is done, or refused for a reason of its own; what lies behind is not in question."""

    async def _done(self, *_: Any) -> dict[str, Any]:
        return {}

    async def _refused(self, *_: Any) -> Any:
        raise Refused("not here")

    note = cycle = shelve = drill = drill_report = _done  # type: ignore[assignment]  # stand-ins
    month = year = _refused  # type: ignore[assignment]  # the same

    async def unshelve(self, resource: str, kind: str) -> int:
        return 0

    async def done_at(self, pole: str) -> list[tuple[float, str, str, str]]:
        return []

    async def notes(self) -> list[dict[str, Any]]:
        return []

    @property
    def turning_up(self) -> Any:
        return self

    def begin(self, *_: Any) -> None:
        return

    def state(self) -> dict[str, Any]:
        return {}

    sheet = _refused


WIDE = Room(comings_s=10_000.0, requests_s=10_000.0)
"""Thousands of requests in a few seconds: what is tried here is what they say, not how many they are."""


class _Failures(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.seen: list[logging.LogRecord] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.seen.append(record)


def serve(told: Told, entrance: Entrance, folder: Path) -> Iterator[Served]:
    desk = Ready(HandClock(), "1")
    desk.opened(told)  # type: ignore[arg-type]  # stands in for the rounds
    desk.standing = AtThePole(told, Notebook(), HandClock(), folder)  # type: ignore[arg-type]  # the same
    listening, failures = socket.create_server(("127.0.0.1", 0)), _Failures()
    logging.getLogger().addHandler(failures)
    began, ended = threading.Event(), asyncio.Event()
    loop = asyncio.new_event_loop()

    async def run() -> None:
        serving = Serving(By(application(desk, "1", entrance), Way.PAGE), [listening], room=WIDE)
        await serving.start()
        began.set()
        await ended.wait()
        desk.closing.set()
        desk.changed()
        await serving.close()

    thread = threading.Thread(target=loop.run_until_complete, args=(run(),))
    thread.start()
    assert began.wait(10)
    yield Served(listening.getsockname()[1], failures.seen)
    loop.call_soon_threadsafe(ended.set)
    thread.join(10)
    loop.close()
    logging.getLogger().removeHandler(failures)


@pytest.fixture(scope="module")
def told(design: Design) -> Told:
    made = Memory(design)
    made.watches = dict.fromkeys(design.places, WELL)
    silence(made, "creek")
    made.answer_key = b"k" * 32
    return Told(made)


@pytest.fixture(scope="module")
def network(told: Told, cheap: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    yield from serve(told, Entrance(a_door(), lambda: 1000.0, network=True), tmp_path_factory.mktemp("network"))


@pytest.fixture(scope="module")
def loopback(told: Told, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    yield from serve(told, Entrance(Door({}, {}), lambda: 1000.0), tmp_path_factory.mktemp("loopback"))


def request(*lines: str | bytes, body: bytes = b"") -> bytes:
    octets = [line.encode("latin-1") if isinstance(line, str) else line for line in lines]
    return b"\r\n".join([*octets, b"Connection: close", b"", body])


FORM = b"name=jo&password=no"
POST = "POST /enter HTTP/1.1"
TYPE, LENGTH = "Content-Type: application/x-www-form-urlencoded", f"Content-Length: {len(FORM)}"


@pytest.mark.parametrize(
    ("octets", "status"),
    [
        (request("GET / HTTP/1.1", "Host: ["), 400),
        (request("GET / HTTP/1.1", "Host: a/static/?"), 400),
        (request("GET / HTTP/1.1", "Host: a@b"), 400),
        (request("GET / HTTP/1.1", "Host: \xe9"), 400),
        (request("GET / HTTP/1.1", "Host: [::1]x:1"), 400),
        (request("GET / HTTP/1.1"), 400),
        (request("GET / HTTP/1.1", "Host: a", "Host: b"), 400),
        (request(POST, "Host: a", "Origin: http://[", TYPE, LENGTH, body=FORM), 403),
        (request(POST, "Host: a", "Origin: null", TYPE, LENGTH, body=FORM), 403),
        (request(POST, "Host: a", TYPE, LENGTH, "Transfer-Encoding: chunked", body=b"0\r\n\r\n"), 400),
        (request(POST, "Host: a", TYPE, "Content-Length: 3", "Content-Length: 4", body=b"abcd"), 400),
        (request(POST, "Host: a", TYPE, "Content-Length: 3, 4", body=b"abcd"), 400),
        (request(POST, "Host: a", TYPE, "Transfer-Encoding: chunked", body=b"0\r\n\r\n"), 403),
        (request(POST, "Host: a", TYPE, "Transfer-Encoding: gzip, chunked", body=b"0\r\n\r\n"), 400),
        (request("GET /api/picture HTTP/1.1", "Host: a", "Authorization: Bearer \xe9\xff"), 401),
        (request("GET /api/picture HTTP/1.1", "Host: a", "Cookie: farpole=\xe9"), 401),
        (request(POST, "Host: a", "Cookie: farpole-device=\xe9.\xe9", TYPE, LENGTH, body=FORM), 401),
    ],
)
def test_what_cannot_be_right_is_refused(network: Served, octets: bytes, status: int) -> None:
    """RFC 9112, 3.2 (Host missing, doubled or invalid: 400), 6.1 and 6.3 (lengths that contradict each other)."""
    before = len(network.failures)
    assert network.statuses(octets) == [status]
    assert network.failures[before:] == []


def test_after_two_lengths_the_connection_ends(network: Served) -> None:
    """RFC 9112, 6.1: "the server MUST close the connection after responding to such a request"."""
    inside = b"0\r\n\r\nGET /enter HTTP/1.1\r\nHost: a\r\n\r\n"
    octets = f"{POST}\r\nHost: a\r\n{TYPE}\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n".encode() + inside
    assert network.statuses(octets) == [400]


def test_a_body_that_breaks_off_is_answered_once(network: Served) -> None:
    """Chunks that are none (RFC 9112, 7.1) come while the answer is on its way."""
    before = len(network.failures)
    for path in ("/enter", "/", "/api/picture", "/static/farpole.css") * 30:
        octets = request(f"GET {path} HTTP/1.1", "Host: a", "Transfer-Encoding: chunked", body=b"no chunk\r\n\r\n")
        assert network.statuses(octets) == [400]
    assert network.failures[before:] == []


def test_no_host_opens_a_path_that_it_names(network: Served) -> None:
    """Who may come in goes by the path that the routes see, not by an address that is put together again."""
    for host in ("a/static/?", "a/enter#", "a/answer/x?"):
        assert network.statuses(request("GET /api/picture HTTP/1.1", f"Host: {host}")) == [400]


@pytest.mark.parametrize(
    "body",
    [
        b'{"pole": "creek", "minutes": NaN}',
        b'{"pole": "\\ud800", "who": "jo"}',
        b'{"pole": "creek", "who": "\\ud800"}',
        b'{"\\ud800": 1}',
        b"[" * 8000,
        b"\xff",
        b'{"pole": "creek", "minutes": 1' + b"0" * 6000 + b"}",
    ],
)
def test_a_body_that_cannot_be_right_is_refused(network: Served, body: bytes) -> None:
    head = ("POST /api/turnup HTTP/1.1", "Host: a", f"Authorization: Bearer {TOKEN}", "Content-Type: application/json")
    before = len(network.failures)
    [status] = network.statuses(request(*head, f"Content-Length: {len(body)}", body=body))
    assert 400 <= status < 500
    assert network.failures[before:] == []


def test_a_refusal_does_not_repeat_a_password(network: Served) -> None:
    body = f"name=jo&password={PASSWORD.replace(' ', '+')}{'x' * 300}".encode()
    said = network.answer(request(POST, "Host: a", TYPE, f"Content-Length: {len(body)}", body=body))
    assert b" 422 " in said.splitlines()[0]
    assert b"long road" not in said


VALUE = st.binary(max_size=40).map(lambda one: re.sub(rb"[\r\n\0]", b"x", one))
NAMES: tuple[str, ...] = (
    "Host",
    "Origin",
    "Cookie",
    "Authorization",
    "X-Forwarded-For",
    "X-Forwarded-Proto",
    "Content-Type",
    "Range",
)
NAMES += ("Content-Length", "Transfer-Encoding", "Expect", "Upgrade", "If-Modified-Since", "X-Farpole-Form", "Accept")
LIKELY: tuple[bytes, ...] = (
    b"farpole=x; farpole-device=a.b",
    b"Bearer x",
    b"Basic \xff",
    b"bytes=0-1",
    b"chunked",
    b"7",
    b"-1",
    b"[::1]",
)
LIKELY += (b"multipart/form-data; boundary=x", b"application/json", b"application/x-www-form-urlencoded; charset=utf-7")
LIKELY += (b"multipart/form-data; boundary=\xff", b"multipart/form-data", b"websocket", b"100-continue", b"http://[")
HEADER = st.tuples(st.sampled_from(NAMES), st.one_of(VALUE, st.sampled_from(LIKELY)))
PATHS: tuple[str, ...] = (
    "/",
    "/enter",
    "/act",
    "/cycle",
    "/answer/",
    "/pole/",
    "/pole/creek/here/note",
    "/photo/",
    "/review/",
    "/site/",
)
PATHS += ("/api/act", "/api/notes", "/api/why/", "/api/places/", "/api/chart?resource=", "/api/review/", "/static/")
PATHS += ("/api/turnup", "/metrics", "/charts.js", "/alarms?x=", "/pole/creek?range=", "/enter?to=")
TAIL = st.one_of(
    st.text(st.sampled_from("abc%/.0123456789?&=+;:@"), max_size=30),
    st.binary(max_size=20).map(lambda octets: "".join(f"%{one:02x}" for one in octets)),
)
BODY = st.one_of(
    st.binary(max_size=300),
    st.dictionaries(
        st.sampled_from(["pole", "who", "note", "minutes", "place", "text"]),
        st.from_type(type(None)) | st.text(max_size=9) | st.floats() | st.lists(st.integers()),
    ).map(lambda one: json.dumps(one).encode()),
    st.lists(st.tuples(st.sampled_from(["name", "password", "to", "form_token", "photo"]), VALUE), max_size=4).map(
        lambda fields: (
            b"".join(
                b'--x\r\nContent-Disposition: form-data; name="%b"\r\n\r\n%b\r\n' % (name.encode(), value)
                for name, value in fields
            )
            + b"--x--\r\n"
        )
    ),
)
METHOD = st.sampled_from(["GET", "GET", "POST", "POST", "HEAD", "PUT", "OPTIONS", "DELETE", "TRACE", "CONNECT", "{}"])


@st.composite
def requests(draw: st.DrawFn) -> bytes:
    """A request that is right in most, so that it comes far."""
    path = draw(st.sampled_from(PATHS)) + draw(TAIL)
    head: list[str | bytes] = [f"{draw(METHOD)} {path} HTTP/{draw(st.sampled_from(['1.1', '1.1', '1.1', '1.0', '9']))}"]
    if draw(st.integers(0, 9)):
        head.append(f"Host: {draw(st.sampled_from(['127.0.0.1', 'localhost:8460', 'farm.example.org']))}")
    if draw(st.booleans()):
        head.append(f"Authorization: Bearer {TOKEN}")
    body = draw(BODY)
    if draw(st.integers(0, 4)):
        head.append(f"Content-Length: {len(body)}")
    head += [f"{name}: ".encode() + value for name, value in draw(st.lists(HEADER, max_size=4))]
    return request(*head, body=body)


@settings(max_examples=250, deadline=None)
@given(requests())
def test_no_request_is_a_failure_of_ours(network: Served, loopback: Served, octets: bytes) -> None:
    for served in (network, loopback):
        before = len(served.failures)
        found = served.statuses(octets)
        assert [one for one in found if one >= 500] == []
        assert [one.getMessage() for one in served.failures[before:]] == []


def test_whoever_may_act_is_a_machine_here(network: Served) -> None:
    """The fuzz above reaches what is behind the door."""
    found = network.statuses(request("GET /api/picture HTTP/1.1", "Host: a", f"Authorization: Bearer {TOKEN}"))
    assert found == [200]
