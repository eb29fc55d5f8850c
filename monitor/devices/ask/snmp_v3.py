"""Messages of SNMP v3 (RFC 3412 section 6) under the user-based security (RFC 3414): written, and read with every
check that RFC 3414 section 3.2 asks for before anything in them is believed. No sockets here.
"""

import os
from dataclasses import dataclass, field

from monitor.devices.ask import snmp_ber as ber
from monitor.devices.ask.snmp import User
from monitor.devices.ask.snmp_usm import Keys, stretches
from monitor.devices.decode.raw import Oid, dotted

AUTH, PRIV, REPORTABLE = 0x01, 0x02, 0x04
WINDOW_S = 150
"""RFC 3414 section 2.2.3."""
_MOST_SIZE = ber.number(65_507)
_USM = 3
_STATS: Oid = (1, 3, 6, 1, 6, 3, 15, 1, 1)
UNSUPPORTED_LEVEL, NOT_IN_WINDOW, UNKNOWN_USER, UNKNOWN_ENGINE, WRONG_DIGEST, DECRYPTION = range(1, 7)
"""Columns of usmStats (RFC 3414 section 5) that a Report names."""
REFUSALS = {
    UNSUPPORTED_LEVEL: "the agent does not serve this user at this security level",
    NOT_IN_WINDOW: "the agent's clock and ours do not agree (time window)",
    UNKNOWN_USER: "unknown user name",
    WRONG_DIGEST: "wrong authentication password or protocol",
    DECRYPTION: "wrong privacy password or protocol",
}


class NotBelieved(Exception):
    """A message that is well formed and must not be believed; the argument says why."""


@dataclass(slots=True)
class Engine:
    """What we know of one agent's engine, for one user. ``at_s`` is monotonic time."""

    user: User
    engine_id: bytes = b""
    boots: int = 0
    time_s: int = 0
    at_s: float = 0.0
    authentic: bool = False
    """Boots and time came in a message whose digest was right; before that they are a guess."""
    way: int = 0
    """Which way of stretching a key is in use."""
    keys: Keys | None = field(default=None, repr=False)
    elements: tuple[bytes, bytes, bytes] | None = field(default=None, repr=False)
    user_octets: bytes = field(init=False, repr=False)
    salt: int = field(default_factory=lambda: int.from_bytes(os.urandom(8), "big"), repr=False)

    def __post_init__(self) -> None:
        self.user_octets = self.user.name.encode()

    def learn(self, engine_id: bytes, boots: int, time_s: int, now_s: float) -> None:
        """Take an engine's identity from its Report; its clock is a guess until a digest has vouched for it."""
        if engine_id != self.engine_id:
            self.engine_id, self.keys, self.elements = engine_id, None, None
        self.boots, self.time_s, self.at_s, self.authentic = boots, time_s, now_s, False

    def ready(self) -> Keys:
        """The keys at this engine."""
        if self.keys is None:
            user = self.user
            stretch = stretches(user.auth, user.priv)[self.way]
            self.keys = Keys.of(user.auth, user.auth_password, user.priv, user.priv_password, self.engine_id, stretch)
        return self.keys

    def parts(self) -> tuple[bytes, bytes, bytes]:
        """Engine id and user as elements, and a digest of zeros."""
        if self.elements is None:
            zeros = bytes(self.ready().digest_octets)
            self.elements = (
                ber.element(ber.OCTETS, self.engine_id),
                ber.element(ber.OCTETS, self.user_octets),
                ber.element(ber.OCTETS, zeros),
            )
        return self.elements

    def other_way(self) -> bool:
        """Turn to the other way of stretching the key, if there is one."""
        ways = len(stretches(self.user.auth, self.user.priv))
        self.way, self.keys = (self.way + 1) % ways, None
        return ways > 1

    def now_s(self, now_s: float) -> int:
        """The engine's time as we reckon it [s]."""
        return self.time_s + int(now_s - self.at_s)

    def synchronise(self, boots: int, time_s: int, now_s: float) -> None:
        """Follow an authentic message; RFC 3414 section 3.2 7b: only forward."""
        if not self.authentic or (boots, time_s) > (self.boots, self.time_s):
            self.boots, self.time_s, self.at_s, self.authentic = boots, time_s, now_s, True


def discovery(message_id: int, request_id: bytes) -> bytes:
    """A message that asks an engine who it is: RFC 3414 section 4."""
    pdu = ber.element(ber.GET, request_id, b"\x02\x01\x00\x02\x01\x00\x30\x00")
    security = ber.element(ber.SEQUENCE, b"\x04\x00\x02\x01\x00\x02\x01\x00\x04\x00\x04\x00\x04\x00")
    scoped = ber.element(ber.SEQUENCE, b"\x04\x00\x04\x00", pdu)
    return _message(message_id, REPORTABLE, security, scoped)


def message(engine: Engine, message_id: int, pdu: bytes, now_s: float) -> bytes:
    """An authentic and encrypted message that carries a PDU; there is no way to make one of a lower level."""
    keys, boots, time_s = engine.ready(), engine.boots, engine.now_s(now_s)
    identity, user, zeros = engine.parts()
    scoped = ber.element(ber.SEQUENCE, identity, b"\x04\x00", pdu)
    engine.salt = engine.salt + 1 & 0xFFFF_FFFF_FFFF_FFFF
    salt = engine.salt.to_bytes(8, "big")
    scoped = ber.element(ber.OCTETS, keys.encrypt(boots, time_s, salt, scoped))
    tail = b"%b%b%b" % (zeros, ber.head(ber.OCTETS, len(salt)), salt)
    security = ber.element(ber.SEQUENCE, identity, ber.number(boots), ber.number(time_s), user, tail)
    whole = _message(message_id, AUTH | PRIV | REPORTABLE, security, scoped)
    at = len(whole) - len(scoped) - len(tail) + 2
    return b"%b%b%b" % (whole[:at], keys.digest(whole), whole[at + keys.digest_octets :])


def _message(message_id: int, flags: int, security: bytes, scoped: bytes) -> bytes:
    head = b"\x02\x04%b%b\x04\x01%c\x02\x01\x03" % (message_id.to_bytes(4, "big"), _MOST_SIZE, flags)
    return ber.element(
        ber.SEQUENCE,
        b"\x02\x01\x03",
        ber.head(ber.SEQUENCE, len(head)),
        head,
        ber.element(ber.OCTETS, security),
        scoped,
    )


@dataclass(slots=True)
class Message:
    """A message that was read, and of which nothing is believed yet."""

    data: bytes
    message_id: int
    flags: int
    engine_id: bytes
    boots: int
    time_s: int
    user: bytes
    digest_at: int
    digest: bytes
    salt: bytes
    scoped_at: int
    scoped_end: int


def read(data: bytes, at: int, stop: int) -> Message:
    """Read a message after its version; raises Undecodable."""
    head, end = ber.inside(data, at, stop, ber.SEQUENCE)
    message_id, head = ber.integer(data, head, end)
    _, head = ber.integer(data, head, end)
    flags, head = ber.octets(data, head, end)
    model, _ = ber.integer(data, head, end)
    if len(flags) != 1 or model != _USM:
        raise ber.Undecodable("a security model other than the user-based one")
    outer, scoped_at = ber.inside(data, end, stop, ber.OCTETS)
    inner, close = ber.inside(data, outer, scoped_at, ber.SEQUENCE)
    engine_id, inner = ber.octets(data, inner, close)
    boots, inner = ber.integer(data, inner, close)
    time_s, inner = ber.integer(data, inner, close)
    user, inner = ber.octets(data, inner, close)
    digest_at, inner = ber.inside(data, inner, close, ber.OCTETS)
    salt, _ = ber.octets(data, inner, close)
    digest = data[digest_at:inner]
    return Message(data, message_id, flags[0], engine_id, boots, time_s, user, digest_at, digest, salt, scoped_at, stop)


def authentic(engine: Engine, came: Message) -> bool:
    """Is the message's digest right for this user at this engine?"""
    if not came.flags & AUTH or came.engine_id != engine.engine_id or came.user != engine.user_octets:
        return False
    keys = engine.ready()
    if len(came.digest) != keys.digest_octets:
        return False
    at = came.digest_at
    zeroed = came.data[:at] + bytes(keys.digest_octets) + came.data[at + keys.digest_octets :]
    return keys.right(zeroed, came.digest)


def open_scoped(engine: Engine, came: Message, now_s: float) -> tuple[bytes, int, int]:
    """The PDU in an answer, after digest, level and time window were checked; raises NotBelieved.

    Returns the octets and where the PDU's element begins and ends.
    """
    if came.flags & (AUTH | PRIV) != AUTH | PRIV:
        raise NotBelieved("an answer below the level of the question")
    if not authentic(engine, came):
        raise NotBelieved("wrong digest")
    engine.synchronise(came.boots, came.time_s, now_s)
    late = engine.now_s(now_s) - came.time_s
    if came.boots != engine.boots or late > WINDOW_S or came.boots == 2**31 - 1:
        raise NotBelieved("outside the time window")
    at, end = ber.inside(came.data, came.scoped_at, came.scoped_end, ber.OCTETS)
    if len(came.salt) != 8:
        raise NotBelieved("an encrypted answer without its salt")
    data = engine.ready().decrypt(came.boots, came.time_s, came.salt, came.data[at:end])
    at, end = ber.inside(data, 0, len(data), ber.SEQUENCE)
    context, at = ber.octets(data, at, end)
    name, at = ber.octets(data, at, end)
    if context != engine.engine_id or name:
        raise NotBelieved("an answer from another context")
    return data, at, end


def report(came: Message) -> int:
    """Which of usmStats a Report names, 0 for any other; only Reports that are not encrypted are read here."""
    if came.flags & PRIV:
        return 0
    data, at, end = came.data, *ber.inside(came.data, came.scoped_at, came.scoped_end, ber.SEQUENCE)
    _, at = ber.octets(data, at, end)
    _, at = ber.octets(data, at, end)
    at, end = ber.inside(data, at, end, ber.REPORT)
    for _ in range(3):
        _, at = ber.integer(data, at, end)
    at, end = ber.inside(data, at, end, ber.SEQUENCE)
    for encoded, _ in ber.varbinds(data, at, end):
        oid = ber.name(encoded)
        if oid[: len(_STATS)] == _STATS and len(oid) == len(_STATS) + 2:
            return oid[len(_STATS)]
        raise ber.Undecodable(f"a Report of {dotted(oid)}")
    raise ber.Undecodable("an empty Report")
