"""The entrance by itself: by which way somebody comes, what may come in that way, and what is said to who may not."""

import hashlib
import json
from typing import Any

import pytest
from fastapi import HTTPException, Request, Response

from monitor.show.door import Door, Machine, Visitor
from monitor.show.entrance import (
    TOKEN_HEADER,
    Entrance,
    inside,
    may_act,
    over_tls,
    refused_for,
    sent_by_form,
    turned_away,
)
from monitor.show.ways import Way, marked

OURS, PUBLIC = "127.0.0.1", "farm.example.org"
TOKEN = "t" * 43
DOOR = Door({}, {"script": Machine("operator", hashlib.sha256(TOKEN.encode()).hexdigest().upper())})
LOOPBACK = Entrance(DOOR, lambda: 0.0)
NETWORK = Entrance(DOOR, lambda: 0.0, network=True, secure=True)
BEHIND = Entrance(DOOR, lambda: 0.0, network=True, secure=True, proxy=OURS)
LOOKS, ACTS = Visitor("vi", "viewer", "f" * 64), Visitor("jo", "operator", "f" * 64)
SCRIPT = Visitor("script", "operator", "")


def asked(
    path: str = "/",
    *lines: tuple[str, str],
    method: str = "GET",
    way: Way | None = Way.PAGE,
    client: str | None = OURS,
    scheme: str = "http",
    query: str = "",
    visitor: Visitor | None = None,
) -> Request:
    """A request as a server of ours would hand it in; on this machine by the page unless something else is said."""
    named = lines if any(name == "host" for name, _ in lines) else (("host", f"{OURS}:8460"), *lines)
    scope: dict[str, Any] = {
        "type": "http",
        "headers": [(name.lower().encode(), value.encode("latin-1")) for name, value in named],
        "client": client and (client, 40_000),
        "server": (OURS, 8460),
        "scheme": scheme,
        "path": path,
        "query_string": query.encode(),
        "method": method,
        "state": {"visitor": visitor},
    }
    return Request({**scope, **(marked(way) if way else {})})


def sent(length: str, path: str = "/act") -> Request:
    return asked(path, ("content-length", length), method="POST")


def body(answer: Response | None) -> str:
    assert answer is not None
    detail: str = json.loads(bytes(answer.body))["detail"]
    return detail


def test_where_nothing_is_said_a_page_is_of_this_machine_alone_and_in_clear() -> None:
    assert (LOOPBACK.network, LOOPBACK.secure, LOOPBACK.proxy) == (False, False, "")
    assert (LOOPBACK.cookie, LOOPBACK.device_cookie) == ("farpole", "farpole-device")


def test_the_cookies_of_a_page_with_tls_are_bound_to_host_and_tls() -> None:
    """RFC 6265bis (draft), 4.1.3.2: the name begins with ``__Host-``."""
    assert (NETWORK.cookie, NETWORK.device_cookie) == ("__Host-farpole", "__Host-farpole-device")


def test_where_nobody_tells_an_address_none_is_made_up() -> None:
    assert LOOPBACK.address(asked(client=None)) == "unknown"
    assert NETWORK.address(asked(client="192.0.2.7")) == "192.0.2.7"
    assert BEHIND.address(asked("/", ("x-forwarded-for", ""))) == OURS


@pytest.mark.parametrize(
    ("length", "path", "taken"),
    [
        ("0", "/act", True),
        ("16384", "/act", True),
        ("16385", "/act", False),
        ("6291456", "/pole/creek/here/note", True),
        ("6291457", "/pole/creek/here/note", False),
        ("", "/act", False),
        ("-1", "/act", False),
        ("1e3", "/act", False),
        ("²", "/act", False),
        ("9" * 5000, "/act", False),
    ],
)
def test_a_body_says_its_length_and_is_no_longer_than_16_kib_or_6_mib_with_a_photo(
    length: str, path: str, taken: bool
) -> None:
    """RFC 9110, 8.6: a Content-Length is decimal digits."""
    said = refused_for(sent(length, path), LOOPBACK)
    assert ("must say its length" in said) is not taken
    assert (said == "") is taken


def test_who_only_asks_sends_no_length() -> None:
    assert refused_for(asked(method="GET"), LOOPBACK) == ""
    assert refused_for(asked(method="HEAD"), LOOPBACK) == ""
    assert "must say its length" in refused_for(asked(method="DELETE"), LOOPBACK)


@pytest.mark.parametrize(
    ("origin", "taken"),
    [
        (None, True),
        (f"http://{OURS}:8460", True),
        (f"http://{OURS}", False),
        ("http://evil.example", False),
        ("null", False),
        ("http://[", False),
    ],
)
def test_a_form_comes_from_a_page_of_the_same_host_and_port(origin: str | None, taken: bool) -> None:
    """RFC 6454, 4 and 7: an origin has a port; "null" is nobody's."""
    lines = [("content-length", "3")] + ([("origin", origin)] if origin is not None else [])
    said = refused_for(asked("/act", *lines, method="POST"), LOOPBACK)
    assert said == ("" if taken else "this form was sent by another site's page")
    assert refused_for(asked("/", *lines[1:]), LOOPBACK) == "", "a link on another page may be followed"


@pytest.mark.parametrize(
    ("request_", "taken"),
    [
        (asked(way=None), False),
        (asked(client=None), False),
        (asked(way=Way.COMMAND, client=None), True),
        (asked("/", ("host", "whatever"), way=Way.COMMAND, client=None), True),
    ],
)
def test_a_request_of_which_nobody_says_the_way_is_refused(request_: Request, taken: bool) -> None:
    said = refused_for(request_, LOOPBACK)
    assert said == ("" if taken else "where this request comes from cannot be told; send it again")


@pytest.mark.parametrize(
    ("host", "path", "public", "taken"),
    [
        ("localhost", "/alarms", None, True),
        ("[::1]:8460", "/alarms", None, True),
        (PUBLIC, "/answer/x", PUBLIC, True),
        (PUBLIC, "/static/farpole.css", PUBLIC, True),
        (PUBLIC, "/alarms", PUBLIC, False),
        (PUBLIC, "/answer/x", None, False),
        ("evil.example", "/answer/x", PUBLIC, False),
        (OURS, "/answer/x", PUBLIC, True),
        (OURS, "/alarms", PUBLIC, True),
        ("[", "/answer/x", None, False),
    ],
)
def test_on_loopback_a_page_answers_to_its_own_names_and_by_a_public_one_to_signed_links(
    host: str, path: str, public: str | None, taken: bool
) -> None:
    """A name that an attacker has let point to 127.0.0.1 is not ours ("DNS rebinding")."""
    said = refused_for(asked(path, ("host", host)), LOOPBACK, public)
    assert ("127.0.0.1 and localhost only" in said) is not taken
    assert (said == "") is taken
    assert refused_for(asked(path, ("host", host)), NETWORK, public) == "", "there everybody says who he is"


@pytest.mark.parametrize(
    ("client", "proto", "said"),
    [
        ("127.0.0.1", "https", ""),
        ("::ffff:127.0.0.1", "https", "through the proxy"),
        ("192.0.2.7", "https", "through the proxy"),
        ("a unix socket", "https", "through the proxy"),
        ("127.0.0.1", "http", "must end TLS"),
        ("127.0.0.1", "", "must end TLS"),
    ],
)
def test_behind_a_proxy_only_its_address_is_taken_and_only_over_tls(client: str, proto: str, said: str) -> None:
    refused = refused_for(asked("/", ("x-forwarded-proto", proto), client=client), BEHIND)
    assert said in refused
    assert bool(said) is bool(refused)


def test_an_address_is_the_same_however_it_is_written() -> None:
    """RFC 5952, 1: one IPv6 address has many spellings."""
    behind = Entrance(DOOR, lambda: 0.0, network=True, secure=True, proxy="2001:DB8:0::1")
    assert refused_for(asked("/", ("x-forwarded-proto", "https"), client="2001:db8::1"), behind) == ""


def test_by_the_command_socket_neither_proxy_nor_tls_is_asked_for() -> None:
    by_command = asked("/", ("x-forwarded-proto", "https"), way=Way.COMMAND, client=None, scheme="https")
    assert refused_for(by_command, BEHIND) == ""
    assert not over_tls(by_command, BEHIND)


@pytest.mark.parametrize(
    ("entrance", "scheme", "proto", "so"),
    [
        (NETWORK, "https", "", True),
        (NETWORK, "http", "https", False),
        (BEHIND, "http", "https", True),
        (BEHIND, "http", "", False),
    ],
)
def test_what_a_stranger_says_of_tls_counts_only_from_the_proxy(
    entrance: Entrance, scheme: str, proto: str, so: bool
) -> None:
    assert over_tls(asked("/", ("x-forwarded-proto", proto), scheme=scheme), entrance) is so


def test_who_asks_is_told_by_way_token_or_place() -> None:
    bearer = ("authorization", f"BEARER  {TOKEN} ")
    by_token = NETWORK.visitor(asked("/", bearer))
    assert by_token is not None
    assert (by_token.name, by_token.may_act, by_token.at_the_box) == ("script", True, False)
    assert NETWORK.visitor(asked("/", ("authorization", f"Basic {TOKEN}"))) is None
    assert NETWORK.visitor(asked("/", ("authorization", "Bearer x"))) is None
    assert LOOPBACK.visitor(asked("/", ("authorization", "Bearer x"))) is None, "who sends a token is who it says"
    assert NETWORK.visitor(asked()) is None, "nobody has logged in"
    here = LOOPBACK.visitor(asked())
    assert here is not None
    assert (here.name, here.may_act, here.at_the_box) == ("", True, False)
    assert LOOPBACK.visitor(asked("/", ("host", PUBLIC))) is None, "a signed link is no log-in"
    by_command = NETWORK.visitor(asked(way=Way.COMMAND, client=None))
    assert by_command is not None
    assert by_command.may_act


def test_a_stranger_is_sent_to_log_in_and_then_on_to_what_was_asked_for() -> None:
    for path, query, to in (
        ("/alarms", "", "/enter?to=%2Falarms"),
        ("/pole/creek", "range=day&x=1", "/enter?to=%2Fpole%2Fcreek%3Frange%3Dday%26x%3D1"),
    ):
        answer = turned_away(asked(path, query=query), NETWORK, None)
        assert answer is not None
        assert (answer.status_code, answer.headers["location"]) == (303, to)


@pytest.mark.parametrize("path", ["/answer/x", "/static/farpole.css", "/enter"])
def test_what_is_open_is_open_to_strangers(path: str) -> None:
    assert turned_away(asked(path), NETWORK, None) is None
    assert turned_away(asked(path, method="POST"), NETWORK, None) is None


@pytest.mark.parametrize(
    ("path", "method"), [("/api/picture", "GET"), ("/metrics", "GET"), ("/events", "GET"), ("/act", "POST")]
)
def test_a_program_is_told_in_its_own_language_how_to_say_who_it_is(path: str, method: str) -> None:
    """RFC 6750, 3, and RFC 9110, 15.5.2: a 401 names the scheme."""
    answer = turned_away(asked(path, method=method), NETWORK, None)
    assert answer is not None
    assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")
    assert "send a token" in body(answer)


def test_by_the_api_who_may_look_looks_and_who_may_act_proves_that_no_other_page_does_it() -> None:
    right, wrong = (TOKEN_HEADER, "f" * 64), (TOKEN_HEADER, "e" * 64)
    for method in ("GET", "HEAD"):
        assert turned_away(asked("/api/picture", method=method), NETWORK, LOOKS) is None
    refused = turned_away(asked("/api/act", right, method="POST"), NETWORK, LOOKS)
    assert refused is not None
    assert (refused.status_code, body(refused)) == (403, "vi may look and not act")
    for lines in ((), (wrong,)):
        unproven = turned_away(asked("/api/act", *lines, method="POST"), NETWORK, ACTS)
        assert unproven is not None
        assert (unproven.status_code, unproven.headers["www-authenticate"]) == (401, "Bearer")
        assert "token of an operator" in body(unproven)
    assert turned_away(asked("/api/act", right, method="POST"), NETWORK, ACTS) is None
    assert turned_away(asked("/api/act", method="POST"), NETWORK, SCRIPT) is None, "it has sent its token"
    assert turned_away(asked("/api/act", method="POST", way=Way.COMMAND), NETWORK, ACTS) is None
    assert turned_away(asked("/act", method="POST"), NETWORK, LOOKS) is None, "a form's own token is asked for later"


def test_a_form_carries_the_token_of_who_sends_it() -> None:
    assert sent_by_form(asked(visitor=ACTS), "f" * 64) is ACTS
    for visitor, token in ((None, ""), (None, "f" * 64), (ACTS, ""), (ACTS, "e" * 64), (ACTS, "é")):
        with pytest.raises(HTTPException, match="load the page anew") as old:
            sent_by_form(asked(visitor=visitor), token)
        assert old.value.status_code == 403


def test_who_may_only_look_sends_no_form_that_does_something() -> None:
    assert may_act(ACTS) is ACTS
    with pytest.raises(HTTPException, match="vi may look and not act") as refused:
        may_act(LOOKS)
    assert refused.value.status_code == 403


@pytest.mark.parametrize("to", ["", "alarms", "//elsewhere.example", "/\\elsewhere.example", "/a\nb", "https://x"])
def test_nobody_is_sent_elsewhere_after_the_log_in(to: str) -> None:
    """ASVS 4.0.3, 5.1.5: no open redirects."""
    assert inside(to) == "/"
    assert inside("/alarms") == "/alarms"
