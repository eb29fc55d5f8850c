"""The porch of a page: how many may stand in front of it, before TLS and before a word of theirs is read.

Every connection costs a descriptor, every handshake a part of a second. Without a limit a stranger's thousand idle
connections take both from the asking of poles. Who has stood there longest without being known makes room for who
comes next, so that idle ones hold no place. Who comes too often waits outside, where the kernel keeps them.
"""

import asyncio
import logging
import pwd
import ssl
import struct
from collections import Counter, OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from ipaddress import ip_address, ip_network
from socket import AF_UNIX, IPPROTO_TCP, SO_PEERCRED, SOL_SOCKET, TCP_NODELAY, TCP_USER_TIMEOUT, socket
from typing import Final

from starlette.requests import HTTPConnection

log = logging.getLogger(__name__)

HANDSHAKE_S = 5.0
_GONE_AFTER_MS: Final = 30_000
"""A peer that acknowledges nothing for so long is gone (TCP_USER_TIMEOUT, RFC 5482)."""
_AT_ONCE = 32
_REST_S = 1.0
"""How long nothing is accepted after the kernel had no descriptor to give."""
_MOST_REMEMBERED = 4096
_UCRED: Final = struct.Struct("3i")


@dataclass(frozen=True, slots=True)
class Room:
    """How much room a page has. ``each`` None: many stand behind one address, or everybody is at this machine."""

    total: int = 200
    each: int | None = None
    comings_each_s: float = 10.0
    """Connections that one address may open a second, over time; ``each`` at once."""
    comings_s: float = 40.0
    """Connections a second over all, over time; ``total`` at once."""
    requests_s: float = 150.0
    """Requests a second over all, over time; what is more is answered a little later."""
    requests_each_s: float = 40.0


class Pace:
    """A token bucket: so many a second over time, ``burst`` at once."""

    __slots__ = ("_a_second", "_at_s", "_burst", "_left")

    def __init__(self, a_second: float, burst: float, now_s: float) -> None:
        self._a_second, self._burst = a_second, burst
        self._left, self._at_s = burst, now_s

    def wait_s(self, now_s: float) -> float:
        """Take one; for how long [s] it should wait, 0 where it need not.

        >>> pace = Pace(10.0, 2.0, 0.0)
        >>> [round(pace.wait_s(0.0), 3) for _ in range(4)], pace.wait_s(1.0)
        ([0.0, 0.0, 0.1, 0.2], 0.0)
        """
        self._refill(now_s)
        self._left -= 1.0
        return max(0.0, -self._left / self._a_second)

    def empty(self, now_s: float) -> bool:
        """Is there nothing left to take?"""
        self._refill(now_s)
        return self._left < 1.0

    def _refill(self, now_s: float) -> None:
        self._left = min(self._burst, self._left + (now_s - self._at_s) * self._a_second)
        self._at_s = now_s


STRANGER, LOOKS, ACTS = 0, 1, 2
"""Who has sent a request on a connection: nobody who is known, somebody who may look, somebody who may act."""


@dataclass(eq=False, slots=True)
class Guest:
    """One connection, from being accepted until it is gone."""

    neighbourhood: str
    since_s: float
    user: str = ""
    """Who has connected to a Unix socket."""
    rank: int = STRANGER
    leave: Callable[[], None] = field(default=lambda: None, repr=False)
    """Closes it at once."""


def neighbourhood(address: str) -> str:
    """What counts as one address: an IPv6 host may take any of its /64 (RFC 4291 section 2.5.1, RFC 8981).

    >>> neighbourhood("192.168.7.9"), neighbourhood("2001:db8:1:2:3:4:5:6"), neighbourhood("::ffff:10.0.0.1")
    ('192.168.7.9', '2001:db8:1:2::/64', '10.0.0.1')
    """
    try:
        found = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if found.version == 4:
        return str(found)
    return str(found.ipv4_mapped) if found.ipv4_mapped else str(ip_network((found, 64), strict=False))


_GUEST: Final = "farpole.guest"


def stated(guest: Guest) -> dict[str, Guest]:
    """What a request's state holds of the connection on which it came."""
    return {_GUEST: guest}


def local_user(request: HTTPConnection) -> str:
    """Who has sent this request over a Unix socket; empty where that is not known."""
    guest: Guest | None = request.scope.get("state", {}).get(_GUEST)
    return guest.user if guest is not None else ""


def greeted(request: HTTPConnection, may_act: bool) -> None:
    """Somebody known has sent this request: their connection is one of the last to make room."""
    guest: Guest | None = request.scope.get("state", {}).get(_GUEST)
    if guest is not None:
        guest.rank = max(guest.rank, ACTS if may_act else LOOKS)


def _user(connected: socket) -> str:
    """Who has connected to a Unix socket: SO_PEERCRED of unix(7), struct ucred of pid, uid and gid."""
    _, uid, _ = _UCRED.unpack(connected.getsockopt(SOL_SOCKET, SO_PEERCRED, _UCRED.size))
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"


class Porch:
    """Accepts connections of one listening socket as far as there is room, and hands them on."""

    def __init__(
        self,
        listening: socket,
        room: Room,
        make: Callable[["Porch", Guest], asyncio.Protocol],
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self._listening, self._room, self._make, self._tls = listening, room, make, tls
        self._loop = asyncio.get_running_loop()
        self._guests: set[Guest] = set()
        self._entering: set[asyncio.Task[None]] = set()
        self._resting: asyncio.TimerHandle | None = None
        now_s = self._loop.time()
        self._comings = Pace(room.comings_s, room.total, now_s)
        self._requests = Pace(room.requests_s, room.requests_s, now_s)
        self._of_each: OrderedDict[str, tuple[Pace, Pace]] = OrderedDict()
        self.turned_away: Counter[str] = Counter()
        """How many connections were not taken or made room, by reason."""
        listening.setblocking(False)
        self._listen()

    @property
    def guests(self) -> int:
        """How many connections there are, those in a handshake among them."""
        return len(self._guests)

    def _listen(self) -> None:
        self._resting = None
        self._loop.add_reader(self._listening.fileno(), self._come)

    def _rest(self, for_s: float) -> None:
        """Accept nothing for a while: the kernel keeps who comes, as far as its backlog goes."""
        self._loop.remove_reader(self._listening.fileno())
        self._resting = self._loop.call_later(for_s, self._listen)

    def _come(self) -> None:
        for _ in range(_AT_ONCE):
            wait_s = 0.0
            try:
                accepted, peer = self._listening.accept()
            except (BlockingIOError, ConnectionAbortedError, InterruptedError):
                return
            except OSError as error:
                log.warning("the page takes nobody for %g s: %s", _REST_S, error.strerror)
                self._rest(_REST_S)
                return
            address = str(peer[0]) if isinstance(peer, tuple) else ""
            if self._admitted(accepted, address):
                wait_s = self._comings.wait_s(self._loop.time())
            if wait_s > 0:
                self._rest(wait_s)
                return

    def _admitted(self, accepted: socket, address: str) -> bool:
        """Begin with a connection, or close it; whether it was begun."""
        guest = Guest(neighbourhood(address), self._loop.time())
        why = self._no_room_for(guest)
        if why:
            self.turned_away[why] += 1
            accepted.close()
            return False
        if accepted.family == AF_UNIX:
            guest.user = _user(accepted)
        self._guests.add(guest)
        task = self._loop.create_task(self._enter(accepted, guest), name="a connection to the page")

        def entered(done: asyncio.Task[None]) -> None:
            self._entering.discard(done)
            if done.cancelled():  # perhaps before it had begun
                self.left(guest)
                accepted.close()

        def leave() -> None:
            task.cancel()

        guest.leave = leave
        self._entering.add(task)
        task.add_done_callback(entered)
        return True

    def _no_room_for(self, guest: Guest) -> str:
        """Make room, or say why there is none."""
        if self._room.each is not None:
            if self._paces_of(guest)[0].empty(guest.since_s):
                return "too often from one address"
            self._paces_of(guest)[0].wait_s(guest.since_s)
            neighbours = [one for one in self._guests if one.neighbourhood == guest.neighbourhood]
            if len(neighbours) >= self._room.each and not self._made_room(neighbours):
                return "too many from one address"
        if len(self._guests) >= self._room.total and not self._made_room(self._guests):
            return "too many"
        return ""

    def _made_room(self, among: "set[Guest] | list[Guest]") -> bool:
        """Close who has been there longest, strangers before those who look; False where all of them may act."""
        oldest = min(among, key=lambda one: (one.rank, one.since_s))
        if oldest.rank == ACTS:
            return False
        self.turned_away["made room"] += 1
        self._guests.discard(oldest)
        oldest.leave()
        return True

    def _paces_of(self, guest: Guest) -> tuple[Pace, Pace]:
        """Comings and requests of one address; who was not seen for longest is forgotten."""
        name = guest.neighbourhood
        if name not in self._of_each:
            room, now_s = self._room, self._loop.time()
            comings = Pace(room.comings_each_s, float(room.each or room.total), now_s)
            self._of_each[name] = (comings, Pace(room.requests_each_s, 2 * room.requests_each_s, now_s))
            if len(self._of_each) > _MOST_REMEMBERED:
                self._of_each.popitem(last=False)
        self._of_each.move_to_end(name)
        return self._of_each[name]

    async def _enter(self, accepted: socket, guest: Guest) -> None:
        """TLS, where there is any, then the protocol; what goes wrong here is the client's own affair."""
        try:
            if accepted.family != AF_UNIX:
                accepted.setsockopt(IPPROTO_TCP, TCP_NODELAY, 1)  # asyncio leaves it out for accepted sockets
                accepted.setsockopt(IPPROTO_TCP, TCP_USER_TIMEOUT, _GONE_AFTER_MS)
            accepted.setblocking(False)
            patience_s = HANDSHAKE_S if self._tls is not None else None
            await self._loop.connect_accepted_socket(
                lambda: self._make(self, guest), accepted, ssl=self._tls, ssl_handshake_timeout=patience_s
            )
        except OSError:
            self.turned_away["no handshake"] += 1
            self.left(guest)
            accepted.close()

    def left(self, guest: Guest) -> None:
        """A connection is gone."""
        self._guests.discard(guest)

    def wait_s(self, guest: Guest) -> float:
        """For how long [s] the next request of a connection should wait."""
        now_s = self._loop.time()
        own_s = self._paces_of(guest)[1].wait_s(now_s) if self._room.each is not None else 0.0
        return max(own_s, self._requests.wait_s(now_s))

    def close(self) -> None:
        """Take nobody any more; who is in a handshake is left."""
        self._loop.remove_reader(self._listening.fileno())
        if self._resting is not None:
            self._resting.cancel()
        for task in self._entering:
            task.cancel()

    async def wait_closed(self) -> None:
        """Return when nobody is in a handshake any more."""
        await asyncio.gather(*self._entering, return_exceptions=True)
