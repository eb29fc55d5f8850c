"""One HTTP exchange with an address of somebody else's, exactly as it was written, with one deadline for the whole.

Of the answer only its status is read (RFC 9112 section 4): whoever watches the address needs no more from us. A
redirect is not followed, for nobody has written down where it leads. Certificates are always verified. Nothing here
ever shows the address: it may be a secret in itself.
"""

import asyncio
import base64
import os
import re
import ssl
from contextlib import suppress
from dataclasses import dataclass, field
from urllib.parse import unquote_to_bytes, urlsplit

from monitor.facts.words import say
from monitor.notify.tls import certificate_words, trusting

TIMEOUT_S = 15.0
_MOST_INTERIM = 8
"""Interim answers (1xx, RFC 9110 section 15.2) that are passed over before the one that counts."""
_CLOSING_S = 1.0
_WRITTEN = re.compile(r"(https?)://([^/?#]*)([^#]*)", re.IGNORECASE)
_STATUS = re.compile(rb"HTTP/1\.\d (\d{3})(?: |\r?\n)")


class NotAnswered(Exception):
    """No answer came; the argument says why, for people, without the address."""


@dataclass(frozen=True, slots=True)
class Address:
    """An http(s) address, taken apart: what is connected to, and what is sent there."""

    secure: bool
    host: str
    port: int
    authority: str
    """Host and port as they were written: RFC 9110 section 7.2."""
    target: str = field(repr=False)
    """Path and query as they were written, without the fragment: RFC 9112 section 3.2.1, RFC 9110 section 7.1."""
    authorization: str = field(repr=False)
    """User and password as HTTP takes them (RFC 7617); empty where there are none."""


def address_of(url: str) -> Address:
    """Take an address apart; raises ValueError, which does not show it.

    >>> one = address_of("https://[::1]:8443/a%2Fb?c=d#e")
    >>> one.host, one.port, one.authority, one.target
    ('::1', 8443, '[::1]:8443', '/a%2Fb?c=d')
    """
    if not all("!" <= letter <= "~" for letter in url):
        raise ValueError("a url has no spaces, and letters beyond ASCII stand in it as %XX (RFC 3986)")
    written = _WRITTEN.fullmatch(url.split("#", 1)[0])
    if written is None:
        raise ValueError("a url begins with http:// or https:// and a host")
    scheme, whole, target = written.groups()
    secure = scheme.lower() == "https"
    user_info, at, authority = whole.rpartition("@")
    try:
        parts = urlsplit(f"{scheme}://{authority}")
        host, port = parts.hostname, parts.port
    except ValueError:
        raise ValueError("the host or port of the url is none") from None
    if not host:
        raise ValueError("a url begins with http:// or https:// and a host")
    authorization = _basic(user_info) if at else ""
    target = target if target.startswith("/") else f"/{target}"
    return Address(secure, host, port or (443 if secure else 80), authority, target, authorization)


def _basic(user_info: str) -> str:
    """RFC 7617 section 2: user, colon, password, in base64; a user name cannot hold a colon."""
    user, _, password = user_info.partition(":")
    if b":" in unquote_to_bytes(user):
        raise ValueError("a user name in a url cannot hold a colon (RFC 7617)")
    return "Basic " + base64.b64encode(unquote_to_bytes(user) + b":" + unquote_to_bytes(password)).decode("ascii")


async def call(address: Address, method: str, body: bytes = b"", kind: str = "", timeout_s: float = TIMEOUT_S) -> int:
    """The status of the answer; raises NotAnswered where there was none by the deadline."""
    try:
        async with asyncio.timeout(timeout_s):
            return await _call(address, _request(address, method, body, kind))
    except TimeoutError:
        raise NotAnswered(say("no answer within {seconds:.0f} s", seconds=timeout_s)) from None
    except ssl.SSLCertVerificationError as error:
        raise NotAnswered(certificate_words(error)) from None
    except ssl.SSLError as error:
        raise NotAnswered(say("no TLS with it: {why}", why=error.reason or "")) from None
    except OSError as error:
        raise NotAnswered(say("no connection: {why}", why=system_words(error))) from None


def system_words(error: OSError) -> str:
    """The system's own words, without the address."""
    if isinstance(error.errno, int) and error.errno > 0:
        return os.strerror(error.errno)
    return error.strerror or type(error).__name__


def _request(address: Address, method: str, body: bytes, kind: str) -> bytes:
    lines = [f"{method} {address.target} HTTP/1.1", f"Host: {address.authority}", "User-Agent: farpole"]
    lines += ["Accept: */*", "Connection: close"]
    if address.authorization:
        lines.append(f"Authorization: {address.authorization}")
    if method == "POST":
        lines += [f"Content-Type: {kind}", f"Content-Length: {len(body)}"]
    return "\r\n".join([*lines, "", ""]).encode("ascii") + body


async def _call(address: Address, request: bytes) -> int:
    context = trusting() if address.secure else None
    closing_s = _CLOSING_S if context else None
    reader, writer = await asyncio.open_connection(
        address.host, address.port, ssl=context, ssl_shutdown_timeout=closing_s
    )
    try:
        writer.write(request)
        # An answer may come before all was taken, and then the other side hangs up: it is an answer all the same.
        with suppress(ConnectionError):
            await writer.drain()
        return await _status(reader)
    finally:
        writer.close()
        with suppress(OSError, TimeoutError):
            async with asyncio.timeout(_CLOSING_S):
                await writer.wait_closed()


async def _status(reader: asyncio.StreamReader) -> int:
    for _ in range(_MOST_INTERIM):
        try:
            line = await reader.readuntil(b"\n")
            found = _STATUS.match(line)
            if found is None:
                raise NotAnswered(say("what answers there does not speak HTTP"))
            status = int(found[1])
            if status >= 200:
                return status
            while (await reader.readuntil(b"\n")).strip():
                pass
        except asyncio.LimitOverrunError:
            raise NotAnswered(say("what answers there does not speak HTTP")) from None
        except asyncio.IncompleteReadError:
            raise NotAnswered(say("it hung up without an answer")) from None
    raise NotAnswered(say("it sent interim answers only"))
