"""Who may look, and who may act: people with a password, machines with a token, and whoever sits at the box itself.

Passwords are kept as argon2id (RFC 9106) and tokens as SHA-256, so that neither can be read from the secrets file. How
guessing is slowed, and why strangers do not lock the owner out by it: `tries.py` and `turns.py`.
"""

import asyncio
import hashlib
import hmac
import logging
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from monitor.facts.printable import one_line
from monitor.show.tries import NAME_EACH_S, Tries, place_of
from monitor.show.turns import Asker, NoTurn, Turns

log = logging.getLogger(__name__)

Role = Literal["viewer", "operator"]
IDLE_S, LONGEST_S = 12 * 3600.0, 30 * 86_400.0
MOST_SESSIONS = 200
LOGGED_AT_FIRST: Final = 20
"""So many wrong passwords are logged one by one; after that one line tells of each doubling of their number."""


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
    at_the_box: bool = False
    """By the command socket: the Unix user, who may enter what somebody else has done."""

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
        self._tries, self._turns, self.wrong_passwords = Tries(), Turns(), 0
        self._hasher = PasswordHasher()
        self._nobody: Final = self._hasher.hash(secrets.token_hex(16)) if people else ""

    @property
    def people(self) -> frozenset[str]:
        """Names of those with a password."""
        return frozenset(self._people)

    def replaced(self, people: Mapping[str, Person], machines: Mapping[str, Machine]) -> None:
        """Go by other secrets from now on; who is not among them any more, or has another password, is out."""
        changed = {name for name, one in self._people.items() if people.get(name) != one}
        self._sessions = {key: one for key, one in self._sessions.items() if one.name not in changed}
        self._people, self._machines = dict(people), dict(machines)

    def told(self) -> dict[str, int]:
        """How often it was knocked at in vain since the start."""
        return {"wrong_passwords": self.wrong_passwords}

    async def enter(self, name: str, password: str, address: str, now: Callable[[], float], device: str = "") -> str:
        """A new session's secret for the right password. Raises ShutOut.

        ``now`` gives monotonic seconds; a look may wait. ``device`` is what ``device_of`` made at an earlier log-in.
        """
        place, known = self._place(name, address, device, now())
        self._not_locked(place, name, now())
        asker = Asker(place, known, self._tries.wrongs(place, now()), lambda: self._slow_s(name, known, now()))
        try:
            async with self._turns.turn(asker):
                self._not_locked(place, name, now())  # many may have been sent at once
                right = await asyncio.to_thread(self._right, self._kept(name), password)
                if not right:
                    self._count(place, name, now(), known)
                    raise ShutOut("name or password is wrong")
        except NoTurn:
            words = "many passwords are tried now; try again in {:.0f} s, or on a device that you have used before"
            raise ShutOut(words.format(NAME_EACH_S), NAME_EACH_S) from None
        self._tries.right(place, name)
        self._tidy(now())
        secret = secrets.token_urlsafe(32)
        self._sessions[secret] = _Session(name, now(), now())
        return secret

    def _place(self, name: str, address: str, device: str, now_s: float) -> tuple[str, bool]:
        """The place that is counted; a known device is one of its own until it is locked."""
        mark, _, mac = device.partition(".")
        own = f"device {mark}"
        person = self._people.get(name)
        if person is None or not same(mac, _device_mac(person, name, mark)):
            return place_of(address), False
        if self._tries.locked_s(own, name, now_s) > 0:
            return place_of(address), False
        return own, True

    def device_of(self, name: str) -> str:
        """What a browser keeps to be known again: worth nothing without the password, and ended by another one."""
        mark = secrets.token_urlsafe(12)
        return f"{mark}.{_device_mac(self._people[name], name, mark)}"

    def _not_locked(self, place: str, name: str, now_s: float) -> None:
        left_s = self._tries.locked_s(place, name, now_s)
        if left_s > 0:
            raise ShutOut(f"too many wrong passwords; try again in {left_s:.0f} s", left_s)

    def _slow_s(self, name: str, known: bool, now_s: float) -> float:
        return 0.0 if known else self._tries.slow_s(name, now_s)

    def _kept(self, name: str) -> str:
        person = self._people.get(name)
        return person.password_argon2 if person else self._nobody

    def _right(self, kept: str, password: str) -> bool:
        try:
            return self._hasher.verify(kept, password.encode("utf-8", "surrogatepass"))
        except (VerificationError, InvalidHashError):
            return False

    def _count(self, place: str, name: str, now_s: float, known: bool) -> None:
        self._tries.wrong(place, name, now_s, known)
        self.wrong_passwords = count = self.wrong_passwords + 1
        if count <= LOGGED_AT_FIRST or count.bit_count() == 1:
            log.warning("wrong password for %s from %s; %d since the start", one_line(name, 40), place, count)

    def _tidy(self, now_s: float) -> None:
        """Forget what has ended, and the oldest sessions of too many."""
        alive = {key: one for key, one in self._sessions.items() if self._lasts(one, now_s)}
        newest = sorted(alive, key=lambda key: alive[key].seen_s)[-MOST_SESSIONS + 1 :]
        self._sessions = {key: alive[key] for key in newest}

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

    def at_the_box(self, user: str = "") -> Visitor:
        """Whoever asks from this machine itself: he could read the files as well. ``user``: as the kernel knows him."""
        return Visitor(user, "operator", self._form_token("at the box"), bool(user))

    def machine(self, token: str) -> Visitor | None:
        """The program of a token."""
        given = hashlib.sha256(token.encode()).hexdigest()
        for name, one in self._machines.items():
            if hmac.compare_digest(one.token_sha256.lower(), given):
                return Visitor(name, one.role, "")
        return None

    def _form_token(self, secret: str) -> str:
        return hmac.new(self._key, secret.encode(), hashlib.sha256).hexdigest()


def same(given: str, right: str) -> bool:
    """Compared in a time that tells nothing; text from outside may be any text, which `hmac` takes as octets only."""
    return hmac.compare_digest(given.encode("utf-8", "surrogatepass"), right.encode())


def _device_mac(person: Person, name: str, mark: str) -> str:
    """Signed by what only we know of the person's password: it outlives a start, and ends with the password."""
    return hmac.new(person.password_argon2.encode(), f"device {name} {mark}".encode(), hashlib.sha256).hexdigest()
