"""By which way a request comes in, and what may come in that way: the command socket, this machine, or the network."""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from ipaddress import ip_address
from typing import Annotated, Final
from urllib.parse import quote, urlsplit

from fastapi import Depends, Form, HTTPException, Request, Response
from fastapi.responses import JSONResponse, RedirectResponse
from starlette.datastructures import Address

from monitor.show.door import Door, Visitor, same
from monitor.show.porch import local_user
from monitor.show.ways import Way, way_of
from monitor.show.wellformed import host_of, last, path_of

_OURSELVES: Final = {"localhost", "127.0.0.1", "::1"}
_BY_LINK: Final = ("/answer/", "/static/")
_OPEN: Final = ("/answer/", "/static/", "/enter")
"""What is shown before anybody has said who he is."""
_FOR_MACHINES: Final = ("/api/", "/metrics", "/events", "/alive")
MOST_BODY_BYTES = 16_384
MOST_PHOTO_BYTES = 6 * 2**20
PHOTOS: Final = "/here/note"
"""End of the path that takes a photo."""
TOKEN_HEADER: Final = "X-Farpole-Form"
_LENGTH: Final = re.compile("[0-9]{1,18}")
"""A length that can be counted: "²" is a digit too, and of more than 4300 digits Python makes no number."""


@dataclass(frozen=True, slots=True)
class Entrance:
    """How the page is reached. On loopback no password is asked; by any other way everybody says who he is."""

    door: Door
    now: Callable[[], float] = field(repr=False)
    """Monotonic seconds."""
    network: bool = False
    """Reached from elsewhere than this machine: a password is needed."""
    secure: bool = False
    """TLS, our own or the proxy's: the cookie goes no other way."""
    proxy: str = ""
    """Address of the proxy that ends TLS; from nowhere else anything is taken then."""

    @property
    def cookie(self) -> str:
        """Name of the session's cookie; the prefix binds it to this host and to TLS (RFC 6265bis)."""
        return "__Host-farpole" if self.secure else "farpole"

    @property
    def device_cookie(self) -> str:
        """Name of the cookie by which a device is known again."""
        return f"{self.cookie}-device"

    def address(self, request: Request) -> str:
        """Where a request comes from, as far as that is known."""
        forwarded = last(request, "x-forwarded-for")
        own = request.client.host if request.client else "unknown"
        return forwarded if self.proxy and forwarded else own

    def visitor(self, request: Request) -> Visitor | None:
        """Who asks, if that is known."""
        if way_of(request) is Way.COMMAND:
            return self.door.at_the_box(local_user(request))
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return self.door.machine(token.strip())
        if not self.network:
            return self.door.at_the_box() if _host(request) in _OURSELVES else None
        return self.door.visitor(request.cookies.get(self.cookie, ""), self.now())


def _host(request: Request) -> str | None:
    return host_of(request.headers.get("host", ""))


def _same_site(origin: str, host: str | None) -> bool:
    """Is the page of a form one of ours?"""
    try:
        return urlsplit(origin).netloc == host
    except ValueError:
        return False


def over_tls(request: Request, entrance: Entrance) -> bool:
    """Did it come over TLS, our own or that of the proxy?"""
    by_proxy = bool(entrance.proxy) and last(request, "x-forwarded-proto") == "https"
    return way_of(request) is Way.PAGE and (request.scope["scheme"] == "https" or by_proxy)


def refused_for(request: Request, entrance: Entrance, public: str | None = None) -> str:
    """Why a request is not taken from this way at all, or empty.

    On loopback there is no password, so that a foreign page in the same browser must not reach it by a name of its own
    (the Host header); by the host of the plan's ``public_url`` only signed links are answered, for each of which its
    signature stands. Nowhere may another site's page send a form (the Origin header).
    """
    way = way_of(request)
    if way is None or (way is Way.PAGE and request.client is None):
        return "where this request comes from cannot be told; send it again"
    if way is Way.PAGE and not entrance.network:
        by_link = public is not None and _host(request) == public and path_of(request).startswith(_BY_LINK)
        if _host(request) not in _OURSELVES and not by_link:
            return "this page answers to 127.0.0.1 and localhost only, and to signed links by the plan's public_url"
    if way is Way.PAGE and entrance.proxy:
        if not _same(request.client, entrance.proxy):
            return f"this page is reached through the proxy at {entrance.proxy} only"
        if last(request, "x-forwarded-proto") != "https":
            return "the proxy must end TLS and say so (X-Forwarded-Proto: https)"
    if request.method not in ("GET", "HEAD"):
        origin = request.headers.get("origin")
        if origin is not None and not _same_site(origin, request.headers.get("host")):
            return "this form was sent by another site's page"
        most = MOST_PHOTO_BYTES if path_of(request).endswith(PHOTOS) else MOST_BODY_BYTES
        length = request.headers.get("content-length", "")
        if not _LENGTH.fullmatch(length) or int(length) > most:
            return f"a request's body may have {most} bytes and must say its length"
    return ""


def _same(client: Address | None, address: str) -> bool:
    """Is a client at this address, however it is written?"""
    try:
        return client is not None and ip_address(client.host) == ip_address(address)
    except ValueError:
        return False


def turned_away(request: Request, entrance: Entrance, visitor: Visitor | None) -> Response | None:
    """The answer for somebody who may not do this; None where he may go on."""
    path = path_of(request)
    if visitor is None and not path.startswith(_OPEN):
        if path.startswith(_FOR_MACHINES) or request.method != "GET":
            words = "say who you are: log in, or send a token (Authorization: Bearer …)"
            return JSONResponse({"detail": words}, 401, {"WWW-Authenticate": "Bearer"})
        asked = path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/enter?to={quote(asked, safe='')}", 303)
    if visitor is not None and path.startswith("/api/") and request.method not in ("GET", "HEAD"):
        if not visitor.may_act:
            return JSONResponse({"detail": f"{visitor.name} may look and not act"}, 403)
        if way_of(request) is not Way.COMMAND and not _proves_itself(request, visitor):
            words = "acting by the API needs a token of an operator (Authorization: Bearer …)"
            return JSONResponse({"detail": words}, 401, {"WWW-Authenticate": "Bearer"})
    return None


def _proves_itself(request: Request, visitor: Visitor) -> bool:
    """A program by its token; a page of ours by its form's token, which no other site's page can read."""
    if not visitor.form_token:
        return True
    return same(request.headers.get(TOKEN_HEADER, ""), visitor.form_token)


def sent_by_form(request: Request, form_token: Annotated[str, Form(max_length=100)] = "") -> Visitor:
    """Whoever sends a form of ours."""
    visitor: Visitor | None = request.state.visitor
    if visitor is None or not same(form_token, visitor.form_token):
        raise HTTPException(403, "this form is old: load the page anew, and send it again")
    return visitor


def may_act(visitor: Annotated[Visitor, Depends(sent_by_form)]) -> Visitor:
    """Whoever sends a form of ours and may act; for routes that do something."""
    if not visitor.may_act:
        raise HTTPException(403, f"{visitor.name} may look and not act")
    return visitor


def inside(to: str) -> str:
    """A path of our own to go on to; anything else becomes the first page.

    >>> inside("/pole/creek?range=day"), inside("//elsewhere.example/"), inside("https://elsewhere.example")
    ('/pole/creek?range=day', '/', '/')
    """
    fine = to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable()
    return to if fine else "/"
