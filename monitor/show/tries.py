"""Wrong passwords, remembered: from where, and for which name, the next is looked at how soon.

Strangers must neither guess a password nor lock its owner out, so three limits stand side by side:

- a name from one place is locked after five wrong passwords, for longer each time; other places are not,
- one place is locked after twenty, whatever names it tried,
- a name that is tried from many places goes the slow path: its passwords are looked at one each 40 s. The right one is
  late then, and it is taken. So no more than 100 wrong ones an hour are looked at for one name, wherever they come from
  (OWASP ASVS 4.0.3, 2.2.1), with waits that grow (NIST SP 800-63B, 5.2.2).

A device on which the person has logged in before is a place of its own and not slowed (SP 800-63B, 5.2.2, of places
that are known from before). Nothing here grows with the number of strangers. Times are monotonic seconds and arguments.
"""

import hashlib
import hmac
import math
import secrets
from dataclasses import dataclass, field
from ipaddress import IPv6Address, ip_address
from typing import Final

FREE_TRIES, FREE_OF_A_PLACE = 5, 20
FIRST_LOCK_S, LONGEST_LOCK_S = 30.0, 900.0
FORGOTTEN_S: Final = 2 * LONGEST_LOCK_S
NAME_TRIES, NAME_EACH_S = 10, 40.0
"""10 at once and 90 more in an hour."""
MOST_REMEMBERED: Final = 4096
_SLOTS: Final = 1024
_WHATEVER: Final = ""


def place_of(address: str) -> str:
    """From where somebody comes: an IPv4 address, or the /64 that one connection gets (RFC 6177; RFC 4291, 2.5.4).

    >>> place_of("2001:db8:1:2:3:4:5:6"), place_of("::ffff:192.0.2.7"), place_of("192.0.2.7:51234"), place_of("me")
    ('2001:db8:1:2::/64', '192.0.2.7', '192.0.2.7', 'elsewhere')
    """
    host = address.partition("]")[0].lstrip("[") if address.startswith("[") else address
    host = host.partition(":")[0] if host.count(":") == 1 else host
    try:
        found = ip_address(host)
    except ValueError:
        return "elsewhere"
    if not isinstance(found, IPv6Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return f"{IPv6Address(int(found) >> 64 << 64)}/64"


@dataclass(frozen=True, slots=True)
class _Wrong:
    count: int = 0
    last_s: float = -math.inf

    def lock_s(self, free: int, now_s: float) -> float:
        """How long it stays locked from now on."""
        if self.count < free:
            return 0.0
        doubled = min(self.count - free, 10)
        return max(0.0, self.last_s + min(LONGEST_LOCK_S, FIRST_LOCK_S * 2.0**doubled) - now_s)


@dataclass(slots=True)
class Tries:
    """What is remembered of wrong passwords."""

    most: int = MOST_REMEMBERED
    _wrong: dict[tuple[str, str], _Wrong] = field(default_factory=dict)
    _full_s: list[float] = field(default_factory=lambda: [-math.inf] * _SLOTS)
    """When each slot of names has all its tries again. Names share slots, known ones and others alike, so that their
    number is bounded and nobody learns by them which names there are."""
    _key: bytes = field(default_factory=lambda: secrets.token_bytes(16), repr=False)

    def __len__(self) -> int:
        return len(self._wrong)

    def wrongs(self, place: str, now_s: float) -> int:
        """How many wrong passwords came from a place lately."""
        return self._of((place, _WHATEVER), now_s).count

    def locked_s(self, place: str, name: str, now_s: float) -> float:
        """How long no password for a name is looked at from a place [s]; 0: it is looked at."""
        mine = self._of((place, name), now_s).lock_s(FREE_TRIES, now_s)
        return max(mine, self._of((place, _WHATEVER), now_s).lock_s(FREE_OF_A_PLACE, now_s))

    def slow_s(self, name: str, now_s: float) -> float:
        """How long until a password for a name is looked at, from wherever it comes [s]."""
        return max(0.0, self._full_s[self._slot(name)] - (NAME_TRIES - 1) * NAME_EACH_S - now_s)

    def wrong(self, place: str, name: str, now_s: float, known: bool = False) -> None:
        """A wrong password came; ``known``: from a device on which this person has logged in before."""
        for key in ((place, name), (place, _WHATEVER)):
            one = self._of(key, now_s)
            self._make_room(key, now_s)
            self._wrong[key] = _Wrong(one.count + 1, now_s)
        if not known:
            slot = self._slot(name)
            self._full_s[slot] = max(self._full_s[slot], now_s) + NAME_EACH_S

    def right(self, place: str, name: str) -> None:
        """The right one came: what this person got wrong at this place counts no more."""
        self._wrong.pop((place, name), None)

    def _of(self, key: tuple[str, str], now_s: float) -> _Wrong:
        one = self._wrong.get(key, _Wrong())
        return one if now_s - one.last_s <= FORGOTTEN_S else _Wrong()

    def _make_room(self, key: tuple[str, str], now_s: float) -> None:
        """Forget what is old; where all is new, what counts least: many places with one try each push no lock out."""
        if key in self._wrong or len(self._wrong) < self.most:
            return
        self._wrong = {kept: one for kept, one in self._wrong.items() if now_s - one.last_s <= FORGOTTEN_S}
        if len(self._wrong) >= self.most:
            del self._wrong[min(self._wrong, key=lambda kept: (self._wrong[kept].count, self._wrong[kept].last_s))]

    def _slot(self, name: str) -> int:
        return int.from_bytes(hmac.digest(self._key, name.encode("utf-8", "replace"), hashlib.sha256)[:4]) % _SLOTS
