"""Setting one object of an agent, through pysnmp: rarely done, never in the way of the rounds."""

from pysnmp.error import PySnmpError
from pysnmp.hlapi.v3arch import asyncio as hlapi
from pysnmp.proto.rfc1902 import Integer32

from monitor.devices.ask.snmp import Agent, Outcome, complaint
from monitor.devices.ask.snmp_pysnmp import credentials_of
from monitor.devices.decode.raw import Oid


class NotSet(Exception):
    """The agent did not do it; the message says why. It may have done it and only not said so."""


async def set_integer(agent: Agent, oid: Oid, value: int) -> None:
    """Set one integer object (RFC 3416 SetRequest-PDU); raises NotSet.

    An engine of its own, since writing has credentials of its own. What was set must be read back: an answer that was
    lost on the way does not say that nothing was done.
    """
    engine = hlapi.SnmpEngine()
    try:
        kind = hlapi.Udp6TransportTarget if ":" in agent.address else hlapi.UdpTransportTarget
        target = await kind.create((agent.address, agent.port), timeout=agent.timeout_s, retries=agent.retries)
        indication, status, index, _ = await hlapi.set_cmd(
            engine,
            credentials_of(agent.credentials),
            target,
            hlapi.ContextData(),
            hlapi.ObjectType(hlapi.ObjectIdentity(oid), Integer32(value)),
            lookupMib=False,
        )
    except (PySnmpError, OSError) as error:
        raise NotSet(f"it could not be asked: {error}"[:200]) from None
    finally:
        engine.close_dispatcher()
    if indication is not None:
        raise NotSet(str(indication)[:200])
    if int(status):
        outcome, words, _ = complaint(int(status), int(index))
        raise NotSet(words if outcome is not Outcome.OK else "it says that it could not")
