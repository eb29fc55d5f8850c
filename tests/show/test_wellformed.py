"""What is no request is refused before anything is read from it (RFC 9110, RFC 9112)."""

import pytest

from monitor.show.wellformed import host_of, last, malformed, path_of
from tests.show.test_entrance import asked

HOST = ("host", "farm.example.org")


@pytest.mark.parametrize(
    ("host", "name"),
    [
        ("farm.example.org", "farm.example.org"),
        ("FARM.example.org:8460", "farm.example.org"),
        ("192.0.2.7:80", "192.0.2.7"),
        ("[2001:DB8::1]", "2001:db8::1"),
        ("[::1]:8460", "::1"),
        ("farm:", "farm"),
        ("", ""),
        ("farm:123456", None),
        ("farm:80x", None),
        ("[::1", None),
        ("[1]", None),
        ("[" + "1" * 46 + "]", None),
        ("a" * 254, None),
        ("farm example", None),
        ("farm/x", None),
        ("jo@farm", None),
        ("farm,evil", None),
    ],
)
def test_a_host_is_a_name_an_ipv4_address_or_an_ip_literal_with_a_port(host: str, name: str | None) -> None:
    """RFC 9110, 7.2: ``uri-host [":" port]``; RFC 3986, 3.2.2: an IP literal stands in brackets; DNS names have 253."""
    assert host_of(host) == name


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ((HOST,), ""),
        ((HOST, ("content-length", "3")), ""),
        ((HOST, ("transfer-encoding", "chunked")), ""),
        ((HOST, ("content-length", "3"), ("transfer-encoding", "chunked")), "length is given once"),
        ((HOST, HOST), "names no host"),
        ((HOST, ("host", "evil.example")), "names no host"),
        ((("host", "["),), "names no host"),
    ],
)
def test_a_request_names_one_host_and_its_length_once(lines: tuple[tuple[str, str], ...], said: str) -> None:
    """RFC 9112, 3.2: more than one Host is answered by 400; 6.3: both lengths may be an attempt at smuggling."""
    found = malformed(asked("/", *lines))
    assert said in found
    assert bool(found) is bool(said)


@pytest.mark.parametrize(
    ("lines", "value"),
    [((), ""), (("a",), "a"), (("a, b ",), "b"), (("a", "b,c"), "c"), (("a,",), ""), (("a", ""), "")],
)
def test_the_last_value_of_the_last_line_is_the_nearest_proxys(lines: tuple[str, ...], value: str) -> None:
    """RFC 9110, 5.3: lines of one name are one list, in their order."""
    assert last(asked("/", *(("x-forwarded-for", line) for line in lines)), "x-forwarded-for") == value


def test_a_path_is_the_servers_and_not_put_together_from_a_host() -> None:
    assert path_of(asked("/pole/creek", ("host", "farm/static/?"))) == "/pole/creek"
