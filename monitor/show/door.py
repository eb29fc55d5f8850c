"""Who may look, and who may act: people with a password, machines with a token, and whoever sits at the box itself.

Passwords are kept as argon2id (RFC 9106) and tokens as SHA-256, so that neither can be read from the secrets file. Five
wrong passwords for one name, or from one address, lock that door for half a minute, then for twice as long each time.
"""

import asyncio
import hashlib
import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

Role = Literal["viewer", "operator"]
IDLE_S, LONGEST_S = 12 * 3600.0, 30 * 86_400.0
MOST_SESSIONS = 200
FREE_TRIES, FIRST_LOCK_S, LONGEST_LOCK_S = 5, 30.0, 900.0
MOST_WAITING = 4
"""How many passwords may wait to be looked at; each takes 64 MiB and a good part of a second, on purpose."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody with a password."""

    role: Role
    password_argon2: str


@dataclass(frozen=True, slots=True)
class Machine:
    """A program with a token."""

    role: Role
    token_sha256: str


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks. ``form_token`` must come back with every form that he sends."""

    name: str
    role: Role
    form_token: str = field(repr=False)

    @property
    def may_act(self) -> bool:
        """May he do more than look?"""
        return self.role == "operator"


class ShutOut(Exception):
    """The door stays shut; the message says why, ``again_s`` for how long (0: not by time)."""

    def __init__(self, message: str, again_s: float = 0.0) -> None:
        super().__init__(message)
        self.again_s = again_s


@dataclass(slots=True)
class _Session:
    name: str
    began_s: float
    seen_s: float


class Door:
    """Log-ins, sessions and tokens of a page. All times are monotonic seconds and come as arguments."""

    def __init__(self, people: Mapping[str, Person], machines: Mapping[str, Machine]) -> None:
        self._people, self._machines = dict(people), dict(machines)
        self._key = secrets.token_bytes(32)
        self._sessions: dict[str, _Session] = {}
        self._wrong: dict[str, tuple[int, float]] = {}
        self._hasher = PasswordHasher()
        self._nobody: Final = self._hasher.hash(secrets.token_hex(16)) if people else ""
        self._looking, self._waiting = asyncio.Semaphore(1), 0

    @property
    def people(self) -> frozenset[str]:
        """Names of those with a password."""
        return frozenset(self._people)

    def replaced(self, people: Mapping[str, Person], machines: Mapping[str, Machine]) -> None:
        """Go by other secrets from now on; who is not among them any more, or has another password, is out."""
        changed = {name for name, one in self._people.items() if people.get(name) != one}
        self._sessions = {key: one for key, one in self._sessions.items() if one.name not in changed}
        self._people, self._machines = dict(people), dict(machines)

    async def enter(self, name: str, password: str, address: str, now_s: float) -> str:
        """A new session's secret for the right password. Raises ShutOut."""
        for key in (f"name {name}", f"from {address}"):
            left_s = self._locked_s(key, now_s)
            if left_s > 0:
                raise ShutOut(f"too many wrong passwords; try again in {left_s:.0f} s", left_s)
        if self._waiting >= MOST_WAITING:
            raise ShutOut("too many at once; try again in 10 s", 10.0)
        self._waiting += 1
        try:
            async with self._looking:
                known = self._people.get(name)
                right = await asyncio.to_thread(self._right, known.password_argon2 if known else self._nobody, password)
        finally:
            self._waiting -= 1
        if known is None or not right:
            self._count(f"name {name}", now_s)
            self._count(f"from {address}", now_s)
            raise ShutOut("name or password is wrong")
        self._wrong.pop(f"name {name}", None)
        self._tidy(now_s)
        secret = secrets.token_urlsafe(32)
        self._sessions[secret] = _Session(name, now_s, now_s)
        return secret

    def _right(self, kept: str, password: str) -> bool:
        try:
            return self._hasher.verify(kept, password)
        except (VerificationError, InvalidHashError):
            return False

    def _locked_s(self, key: str, now_s: float) -> float:
        count, last_s = self._wrong.get(key, (0, 0.0))
        if count < FREE_TRIES:
            return 0.0
        lock_s = min(LONGEST_LOCK_S, FIRST_LOCK_S * 2.0 ** (count - FREE_TRIES))
        return max(0.0, last_s + lock_s - now_s)

    def _count(self, key: str, now_s: float) -> None:
        count, last_s = self._wrong.get(key, (0, 0.0))
        self._wrong[key] = (1 if now_s - last_s > 2 * LONGEST_LOCK_S else count + 1, now_s)

    def _tidy(self, now_s: float) -> None:
        """Forget what has ended, and the oldest sessions of too many."""
        alive = {key: one for key, one in self._sessions.items() if self._lasts(one, now_s)}
        newest = sorted(alive, key=lambda key: alive[key].seen_s)[-MOST_SESSIONS + 1 :]
        self._sessions = {key: alive[key] for key in newest}
        self._wrong = {key: one for key, one in self._wrong.items() if now_s - one[1] <= 2 * LONGEST_LOCK_S}

    def _lasts(self, one: _Session, now_s: float) -> bool:
        return now_s - one.seen_s < IDLE_S and now_s - one.began_s < LONGEST_S

    def leave(self, secret: str) -> None:
        """End a session."""
        self._sessions.pop(secret, None)

    def visitor(self, secret: str, now_s: float) -> Visitor | None:
        """Whose session this is, if it lasts."""
        one = self._sessions.get(secret)
        if one is None or not self._lasts(one, now_s) or one.name not in self._people:
            return None
        one.seen_s = now_s
        return Visitor(one.name, self._people[one.name].role, self._form_token(secret))

    def at_the_box(self) -> Visitor:
        """Whoever asks from this machine itself: he could read the files as well."""
        return Visitor("", "operator", self._form_token("at the box"))

    def machine(self, token: str) -> Visitor | None:
        """The program of a token."""
        given = hashlib.sha256(token.encode()).hexdigest()
        for name, one in self._machines.items():
            if hmac.compare_digest(one.token_sha256.lower(), given):
                return Visitor(name, one.role, "")
        return None

    def _form_token(self, secret: str) -> str:
        return hmac.new(self._key, secret.encode(), hashlib.sha256).hexdigest()
