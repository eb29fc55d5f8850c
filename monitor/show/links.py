"""Signed links by which a callout is acknowledged from a phone: looking changes nothing, one button does.

A mail scanner opens every link, so a GET only shows the alarm; the POST of its one button acknowledges. A link is of
one person, one alarm and one occurrence of it, and ends after a week.
"""

import base64
import hashlib
import hmac
import json
import os
import secrets
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

LASTS_S = 7 * 86_400.0
_KEY_OCTETS = 32
MOST_CHARACTERS = 1000


@dataclass(frozen=True, slots=True)
class Answer:
    """What a link stands for: who may acknowledge which occurrence of which alarm, until when."""

    person: str
    resource: str
    type: str
    qualifier: str
    raised_s: float
    until_s: float


class NotValid(ValueError):
    """The link is none of ours, or it has ended; the message says which."""


def new_key() -> bytes:
    """A key that nobody can guess."""
    return secrets.token_bytes(_KEY_OCTETS)


def key_of(file: Path) -> bytes:
    """The site's own key, made where there is none yet; only its owner may read it. Raises OSError.

    A file that is too short, as a full disk leaves it, is no key: with an empty one anybody could sign.
    """
    try:
        key = file.read_bytes()
    except FileNotFoundError:
        key = b""
    if len(key) >= _KEY_OCTETS:
        return key
    key, half = new_key(), file.with_name(file.name + ".part")
    try:
        with os.fdopen(os.open(half, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as made:
            made.write(key)
            made.flush()
            os.fsync(made.fileno())
        half.replace(file)
    except OSError:
        with suppress(OSError):
            half.unlink()
        raise
    return key


def sign(key: bytes, answer: Answer) -> str:
    """The link's last part: what it stands for, and HMAC-SHA-256 of that (RFC 2104), as base64url (RFC 4648)."""
    said = json.dumps(
        [answer.person, answer.resource, answer.type, answer.qualifier, answer.raised_s, answer.until_s]
    ).encode()
    return f"{_text(said)}.{_text(_mac(key, said))}"


def read(key: bytes, token: str, now_s: float) -> Answer:
    """What a link stands for; raises NotValid."""
    said, _, mac = token.partition(".")
    try:
        if len(token) > MOST_CHARACTERS:
            raise NotValid("this link is none of this site's")
        words = _octets(said)
        if not hmac.compare_digest(_mac(key, words), _octets(mac)):
            raise NotValid("this link is none of this site's")
        person, resource, kind, qualifier, raised_s, until_s = json.loads(words)
    except (ValueError, TypeError) as error:
        raise error if isinstance(error, NotValid) else NotValid("this link is none of this site's") from None
    if now_s >= until_s:
        raise NotValid("this link has ended; see the page of the site")
    return Answer(person, resource, kind, qualifier, float(raised_s), float(until_s))


def _mac(key: bytes, said: bytes) -> bytes:
    return hmac.new(key, said, hashlib.sha256).digest()


def _text(octets: bytes) -> str:
    return base64.urlsafe_b64encode(octets).decode().rstrip("=")


def _octets(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
