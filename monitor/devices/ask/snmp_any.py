"""Which way an agent is asked: the fast one, or pysnmp for users with MD5 or DES, which the fast one lacks."""

from collections import Counter
from collections.abc import Mapping, Sequence

from monitor.devices.ask.snmp import Agent, Answer, Asker, Pdu, Ran, User
from monitor.devices.ask.snmp_fast import FastAsker
from monitor.devices.decode.raw import Raw


class AnyAsker:
    """Asks every agent in the way that suits its credentials."""

    def __init__(self) -> None:
        self._fast = FastAsker()
        self._slow: Asker | None = None

    @property
    def rejected(self) -> Counter[str]:
        """Messages that were not believed, by reason."""
        return self._fast.rejected

    def _way(self, agent: Agent) -> Asker:
        if not (isinstance(agent.credentials, User) and agent.credentials.weak):
            return self._fast
        if self._slow is None:
            from monitor.devices.ask.snmp_pysnmp import PysnmpAsker  # heavy, and most sites never need it

            self._slow = PysnmpAsker()
        return self._slow

    def engine_ids(self) -> set[bytes]:
        """SNMP v3 engines that have been met."""
        return self._fast.engine_ids()

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        """Send one PDU and wait for its answer."""
        return await self._way(agent).ask(agent, pdu)

    async def run(self, agent: Agent, pdus: Sequence[Pdu], slots: Mapping[bytes, int], values: list[Raw | None]) -> Ran:
        """Send PDUs one after the other; wanted values go to their places."""
        return await self._way(agent).run(agent, pdus, slots, values)

    def close(self) -> None:
        """Give sockets and timers back."""
        self._fast.close()
        if self._slow is not None:
            self._slow.close()
