"""Asking SNMP agents through pysnmp: slow and thorough. The only file of ``ask`` that knows pysnmp."""

import asyncio
import logging
import socket
from typing import Any

from pyasn1.type import univ
from pysnmp.error import PySnmpError
from pysnmp.hlapi.v3arch.asyncio import (
    CommunityData,
    ContextData,
    ObjectIdentity,
    ObjectType,
    SnmpEngine,
    UdpTransportTarget,
    UsmUserData,
    bulk_cmd,
    get_cmd,
    usmAesCfb128Protocol,
    usmAesCfb256Protocol,
    usmHMAC192SHA256AuthProtocol,
    usmHMAC384SHA512AuthProtocol,
    usmHMACSHAAuthProtocol,
)
from pysnmp.proto import errind
from pysnmp.proto.rfc1905 import EndOfMibView, NoSuchInstance, NoSuchObject

from monitor.devices.ask.snmp import Agent, Answer, Community, Outcome, Pdu, User
from monitor.devices.decode.raw import Missing, Raw, Table

log = logging.getLogger(__name__)

_MOST_UNDER_WAY = 64
"""pysnmp has one socket for all agents; it overflows at some 90 answers in one moment, and healthy agents then
seem to time out."""
_RECEIVE_BYTES = 4 * 1024 * 1024

_AUTH = {
    "sha-1": usmHMACSHAAuthProtocol,
    "sha-256": usmHMAC192SHA256AuthProtocol,
    "sha-512": usmHMAC384SHA512AuthProtocol,
}
_PRIV = {"aes-128": usmAesCfb128Protocol, "aes-256": usmAesCfb256Protocol}

_REFUSALS: dict[type, str] = {
    errind.UnknownUserName: "unknown user name",
    errind.UnknownSecurityName: "unknown user name",
    errind.WrongDigest: "wrong authentication password or protocol",
    errind.AuthenticationFailure: "wrong authentication password or protocol",
    errind.DecryptionError: "wrong privacy password or protocol",
    errind.UnsupportedSecurityLevel: "the agent does not serve this user at this security level",
    errind.NotInTimeWindow: "the agent's clock and ours do not agree (time window)",
}
_MISSING = {
    NoSuchObject: Missing.NO_SUCH_OBJECT,
    NoSuchInstance: Missing.NO_SUCH_INSTANCE,
    EndOfMibView: Missing.END_OF_MIB_VIEW,
}
_STATUS = {1: "tooBig", 2: "noSuchName", 3: "badValue", 5: "genErr", 6: "noAccess", 16: "authorizationError"}


class PysnmpAsker:
    """One SnmpEngine for the process."""

    def __init__(self) -> None:
        self._engine = SnmpEngine()
        self._targets: dict[tuple[str, int, float, int], Any] = {}
        self._places = asyncio.Semaphore(_MOST_UNDER_WAY)
        self._widened = False

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        """Send one PDU and wait for its answer."""
        async with self._places:
            try:
                target = await self._target(agent)
                answer = await self._send(agent, target, pdu)
            except (PySnmpError, OSError) as error:
                return Answer(Outcome.UNDECODABLE, {}, f"{type(error).__name__}: {error}"[:200])
        if not self._widened:
            self._widen()
        return _answer(*answer)

    async def _target(self, agent: Agent) -> Any:
        key = (agent.address, agent.port, agent.timeout_s, agent.retries)
        if key not in self._targets:
            where = (agent.address, agent.port)
            self._targets[key] = await UdpTransportTarget.create(where, timeout=agent.timeout_s, retries=agent.retries)
        return self._targets[key]

    async def _send(self, agent: Agent, target: Any, pdu: Pdu) -> Any:
        objects = [ObjectType(ObjectIdentity(oid)) for oid in pdu.oids]
        who, context = _who(agent.credentials), ContextData()
        if pdu.kind == "get":
            return await get_cmd(self._engine, who, target, context, *objects, lookupMib=False)
        return await bulk_cmd(self._engine, who, target, context, 0, pdu.repetitions, *objects, lookupMib=False)

    def _widen(self) -> None:
        """Give the one socket a buffer for many answers at once."""
        self._widened = True
        for transport in getattr(
            self._engine.transport_dispatcher, "_AbstractTransportDispatcher__transports", {}
        ).values():
            inner = getattr(transport, "transport", None)
            sock = inner.get_extra_info("socket") if inner else None
            if sock is not None:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BYTES)

    def close(self) -> None:
        """Give the socket and the engine's timer back."""
        self._engine.close_dispatcher()


def _who(credentials: Community | User) -> Any:
    if isinstance(credentials, Community):
        return CommunityData(credentials.word, mpModel=1)
    return UsmUserData(
        credentials.name,
        credentials.auth_password,
        credentials.priv_password,
        authProtocol=_AUTH[credentials.auth],
        privProtocol=_PRIV[credentials.priv],
    )


def _answer(indication: Any, status: Any, index: Any, varbinds: Any) -> Answer:
    if indication is not None:
        if isinstance(indication, errind.RequestTimedOut):
            return Answer(Outcome.SILENT, {}, "no answer")
        for kind, words in _REFUSALS.items():
            if isinstance(indication, kind):
                return Answer(Outcome.REFUSED, {}, words)
        return Answer(Outcome.UNDECODABLE, {}, str(indication)[:200])
    if int(status):
        word = _STATUS.get(int(status), f"error {int(status)}")
        if int(status) in (6, 16):
            return Answer(Outcome.REFUSED, {}, f"{word}: the agent does not let us see these objects")
        return Answer(Outcome.AGENT_ERROR, {}, f"{word} at object {int(index)}")
    objects: Table = {}
    for name, value in varbinds:
        objects[tuple(name)] = _raw(value)
    return Answer(Outcome.OK, objects)


def _raw(value: Any) -> Raw:
    missing = _MISSING.get(type(value))
    if missing is not None:
        return missing
    if isinstance(value, univ.ObjectIdentifier):
        return tuple(value)
    if isinstance(value, univ.OctetString):
        return bytes(value)
    try:
        return int(value)
    except (TypeError, ValueError):
        return bytes(str(value), "utf-8")
