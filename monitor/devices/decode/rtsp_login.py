"""Saying who we are to a camera: Digest (RFC 7616: SHA-256, MD5), and Basic (RFC 7617) only where the plan says so.

What a camera asks for decides nothing but which of the permitted ways is taken: the best of those that both know.
"""

import base64
import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum

from monitor.devices.decode.raw import Garbled, text

_MOST_LINES, _MOST_LINE = 8, 2048
_PART = re.compile(r'(?:"(?:[^"\\]|\\.)*"|[^,"])+')
"""What stands between commas; a comma within quotes does not count."""
_FIELD_FIRST = re.compile(r"[^\s=\"]+\s*=")
_FIELD = re.compile(r'(\w+)\s*=\s*(?:"((?:[^"\\]|\\.)*)"|([^\s,]*))')
_HASHES = {"MD5": "md5", "SHA-256": "sha256"}
_STRENGTHS = {"SHA-256": 3, "MD5": 2}
_BASIC = 1


class Refusal(Enum):
    """Why a camera's log-in did not come about."""

    WRONG = "the camera refuses the name or the password, or the plan has none"
    IN_CLEAR = "the camera asks for the password in clear, which the plan does not permit"
    UNKNOWN_WAY = "the camera asks for a way of logging in that is not known here"


def split(lines: Sequence[str]) -> tuple[str, ...]:
    """Challenges one by one: a line may hold several (RFC 9110 section 11.6.1).

    >>> split(['Basic realm="a, b", Digest realm="c", nonce=d', "Bearer"])
    ('Basic realm="a, b"', 'Digest realm="c", nonce=d', 'Bearer')
    """
    found: list[str] = []
    for line in lines[:_MOST_LINES]:
        begun = False
        for part in (one.strip() for one in _PART.findall(line[:_MOST_LINE])):
            if begun and _FIELD_FIRST.match(part):
                found[-1] += f", {part}"
            elif part:
                found.append(part)
                begun = True
    return tuple(found)


def best_challenge(lines: Sequence[str], basic: bool) -> str | None:
    """The best challenge that may be answered; ``basic`` says whether the password may travel in clear."""
    able = [(_strength(one), one) for one in split(lines)]
    able = [(strength, one) for strength, one in able if strength > _BASIC or (strength == _BASIC and basic)]
    return max(able, key=lambda pair: pair[0])[1] if able else None


def refusal(lines: Sequence[str]) -> Refusal:
    """Why none of these challenges is answered."""
    asked = split(lines)
    if any(_strength(one) == _BASIC for one in asked):
        return Refusal.IN_CLEAR
    return Refusal.UNKNOWN_WAY if asked else Refusal.WRONG


def _strength(challenge: str) -> int:
    """How good a way is: 0 where it is not known."""
    scheme, _, rest = challenge.partition(" ")
    if scheme.lower() == "basic":
        return _BASIC
    given = _fields(rest)
    whole = given.get("nonce") and ("qop" not in given or _protection(given))
    if scheme.lower() != "digest" or not whole:
        return 0
    return _STRENGTHS.get(given.get("algorithm", "MD5").upper(), 0)


def _fields(rest: str) -> dict[str, str]:
    return {found[1].lower(): found[2] or found[3] or "" for found in _FIELD.finditer(rest)}


def _protection(given: Mapping[str, str]) -> str:
    """The quality of protection to be used; empty where none is offered that is known."""
    offered = [one.strip().lower() for one in given.get("qop", "").split(",")]
    return next((one for one in ("auth", "auth-int") if one in offered), "")


@dataclass
class Login:
    """How we say who we are, once the server has asked for it."""

    user: str
    password: str = field(repr=False)
    challenge: str = ""
    client_nonce: str = "0a4f113b"
    """Ours, of each connection a new one."""
    basic: bool = False
    """May the password travel in clear?"""
    _counts: int = 0
    _counted: str = ""

    def header(self, method: str, uri: str) -> str | None:
        """The Authorization header, or None while nobody has asked for one; raises Garbled."""
        if not self.challenge:
            return None
        strength = _strength(self.challenge)
        if strength == _BASIC and self.basic:
            return "Basic " + base64.b64encode(f"{self.user}:{self.password}".encode()).decode()
        if strength <= _BASIC:
            raise Garbled(f"the camera asks for a log-in that is not given: {text(self.challenge[:60].encode())!r}")
        return self._digest(method, uri, _fields(self.challenge.partition(" ")[2]))

    def _digest(self, method: str, uri: str, given: Mapping[str, str]) -> str:
        """RFC 7616 section 3.4, with and without quality of protection. Our requests have no body."""
        algorithm = given.get("algorithm", "MD5")

        def digest(said: str) -> str:
            return hashlib.new(_HASHES[algorithm.upper()], said.encode(), usedforsecurity=False).hexdigest()

        realm, nonce, protection = given.get("realm", ""), given.get("nonce", ""), _protection(given)
        asked = f"{method}:{uri}:{digest('')}" if protection == "auth-int" else f"{method}:{uri}"
        secret, asked = digest(f"{self.user}:{realm}:{self.password}"), digest(asked)
        user = self.user.replace("\\", "\\\\").replace('"', '\\"')
        fields = [f'username="{user}"', f'realm="{realm}"', f'nonce="{nonce}"', f'uri="{uri}"']
        if protection:
            self._counts, self._counted = (self._counts if nonce == self._counted else 0) + 1, nonce
            count, client = f"{self._counts:08x}", self.client_nonce
            response = digest(f"{secret}:{nonce}:{count}:{client}:{protection}:{asked}")
            fields += [f"qop={protection}", f"nc={count}", f'cnonce="{client}"']
        else:
            response = digest(f"{secret}:{nonce}:{asked}")
        fields.append(f'response="{response}"')
        if "algorithm" in given:
            fields.append(f"algorithm={algorithm}")
        if "opaque" in given:
            fields.append(f'opaque="{given["opaque"]}"')
        return "Digest " + ", ".join(fields)
