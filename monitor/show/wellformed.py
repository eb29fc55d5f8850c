"""Is a request one at all? What contradicts itself is refused before anything is read from it (RFC 9112, RFC 9110)."""

import re
from typing import Final

from fastapi import Request

_HOST: Final = re.compile(r"(?:\[(?P<v6>[0-9A-Fa-f:.]{2,45})\]|(?P<name>[A-Za-z0-9._-]{0,253}))(?::[0-9]{0,5})?")
"""``uri-host [":" port]`` of RFC 9110, 7.2: an IP literal, an IPv4 address or a name of DNS (RFC 3986, 3.2.2); none
where a request has no authority."""


def host_of(host: str) -> str | None:
    """The name or address in a Host header, in small letters; None where it is no host.

    >>> host_of("Farm.example.org:8460"), host_of("[::1]:8460"), host_of("["), host_of("farm/static/?")
    ('farm.example.org', '::1', None, None)
    """
    found = _HOST.fullmatch(host)
    return (found["v6"] or found["name"]).lower() if found else None


def malformed(request: Request) -> str:
    """Why a request cannot be right, or empty. A Host header that is missing h11 refuses itself (RFC 9112, 3.2)."""
    headers = request.headers
    if len(headers.getlist("host")) > 1 or host_of(headers.get("host", "")) is None:
        return "the Host header names no host"
    if "content-length" in headers and "transfer-encoding" in headers:
        return "a request's length is given once: by Content-Length or by Transfer-Encoding"  # RFC 9112, 6.1 and 6.3
    return ""


def last(request: Request, name: str) -> str:
    """The last of a header's values, over all its lines: what the nearest proxy has added (RFC 9110, 5.3)."""
    lines = request.headers.getlist(name)
    return lines[-1].rpartition(",")[2].strip() if lines else ""


def path_of(request: Request) -> str:
    """The path by which a route is found; ``request.url`` is put together from what a stranger calls the host."""
    path: str = request.scope["path"]
    return path
