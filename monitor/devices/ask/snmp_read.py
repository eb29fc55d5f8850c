"""Reading back one integer object."""

from monitor.devices.ask.snmp import Agent, Asker, Outcome, Pdu
from monitor.devices.decode.raw import Oid


async def read_integer(asker: Asker, agent: Agent, oid: Oid) -> int | None:
    """The object's value; None where the agent does not answer or has no such integer."""
    answer = await asker.ask(agent, Pdu("get", (oid,)))
    value = answer.objects.get(oid)
    return value if answer.outcome is Outcome.OK and isinstance(value, int) else None
