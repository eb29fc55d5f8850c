"""Receiving notifications (traps and informs, v1, v2c, v3) through pysnmp, which also acknowledges informs.

What a sender must know to be heard by v3 is fixed across restarts: our engine ID is handed in. A v3 trap is
authenticated by its *sender's* engine (RFC 3414 section 3.1), so engines that polling has met are made known here.
"""

import asyncio
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from pysnmp.carrier.asyncio.dgram import udp
from pysnmp.entity import config
from pysnmp.entity.engine import SnmpEngine
from pysnmp.entity.rfc3413 import ntfrcv
from pysnmp.proto.rfc1902 import OctetString

from monitor.devices.ask.snmp import Community, User
from monitor.devices.ask.snmp_pysnmp import AUTH, PRIV, raw_of
from monitor.devices.decode.raw import Oid, Raw

_RECEIVE_BYTES = 8 << 20
"""A burst of 1,000 at the kernel's default left 256; the kernel gives what net.core.rmem_max allows."""
_FORCE = 33
"""SO_RCVBUFFORCE (asm-generic/socket.h): beyond rmem_max, for who has CAP_NET_ADMIN."""
_MOST_OBJECTS = 64
_USM, _AUTH_PRIV = 3, 3
"""SnmpSecurityModel and SnmpSecurityLevel of RFC 3411 section 5."""


@dataclass(frozen=True, slots=True)
class Notification:
    """One notification as it came; ``authentic`` where a v3 digest was right."""

    source: str
    authentic: bool
    objects: dict[Oid, Raw] = field(repr=False)


def enlarge(sock: socket.socket) -> int:
    """Enlarge a socket's receive buffer as far as the kernel lets us; the size that it gave."""
    try:
        sock.setsockopt(socket.SOL_SOCKET, _FORCE, _RECEIVE_BYTES)
    except PermissionError:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BYTES)
    return sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)


class TrapReceiver:
    """Listens on one UDP port; raises OSError where it cannot be opened.

    ``engine`` is our engine ID and how often it has started, which senders of v3 informs remember.
    """

    def __init__(
        self,
        address: str,
        port: int,
        engine: tuple[bytes, int],
        credentials: Iterable[Community | User],
        heard: Callable[[Notification], None],
    ) -> None:
        self._heard = heard
        self._users: list[User] = []
        self._engines: set[bytes] = set()
        self._last = ("", 0, 0)
        """Of the message that is being taken: source, security model, security level."""
        self.received = 0
        bound = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            bound.bind((address, port))
        except OSError:
            bound.close()
            raise
        enlarge(bound)
        bound.setblocking(False)
        self.port: int = bound.getsockname()[1]
        self._engine = SnmpEngine(snmpEngineID=OctetString(engine[0]))
        (boots,) = self._engine.get_mib_builder().import_symbols("__SNMP-FRAMEWORK-MIB", "snmpEngineBoots")
        boots.syntax = boots.syntax.clone(engine[1])
        transport = udp.UdpTransport().open_server_mode(sock=bound)
        config.add_transport(self._engine, udp.DOMAIN_NAME, transport)
        for number, one in enumerate(dict.fromkeys(credentials)):
            if isinstance(one, Community):
                config.add_v1_system(self._engine, f"community-{number}", one.word)
            else:
                self._users.append(one)
                self._add(one, None)
        self._engine.observer.register_observer(self._seen, "rfc3412.receiveMessage:request")
        ntfrcv.NotificationReceiver(self._engine, self._notified)

    def _add(self, user: User, engine_id: bytes | None) -> None:
        where = {} if engine_id is None else {"securityEngineId": OctetString(engine_id)}
        config.add_v3_user(
            self._engine,
            user.name,
            AUTH[user.auth],
            user.auth_password,
            PRIV[user.priv],
            user.priv_password,
            **where,
        )

    def know(self, engine_id: bytes) -> None:
        """Hear v3 traps of an engine that polling has met."""
        if engine_id in self._engines:
            return
        self._engines.add(engine_id)
        for user in self._users:
            self._add(user, engine_id)

    def _seen(self, _: Any, __: str, variables: dict[str, Any], ___: Any) -> None:
        address = str(variables["transportAddress"][0])
        self._last = (address, int(variables["securityModel"]), int(variables["securityLevel"]))

    def _notified(self, _: Any, __: Any, ___: Any, ____: Any, varbinds: Any, _____: Any) -> None:
        address, model, level = self._last
        if model == _USM and level < _AUTH_PRIV:
            return  # every user of ours is one of authPriv: whoever speaks in that name below it is not believed
        self.received += 1
        objects = {tuple(name): raw_of(value) for name, value in list(varbinds)[:_MOST_OBJECTS]}
        self._heard(Notification(address, model == _USM, objects))

    async def close(self) -> None:
        """Give the socket and the engine's timer back."""
        self._engine.close_dispatcher()
        await asyncio.sleep(0)
