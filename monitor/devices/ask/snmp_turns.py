"""Several who ask the same agent take turns, PDU by PDU: one is under way, a long round lets a short one in between."""

import asyncio
from collections.abc import Mapping, Sequence

from monitor.devices.ask.snmp import Agent, Answer, Asker, Outcome, Pdu, Ran
from monitor.devices.decode.raw import Raw


class TurnsAsker:
    """An Asker whose agents are asked one PDU at a time, whoever asks; who waits longest is next."""

    def __init__(self, asker: Asker) -> None:
        self._asker = asker
        self._turns: dict[tuple[str, int], asyncio.Lock] = {}

    def _turn(self, agent: Agent) -> asyncio.Lock:
        return self._turns.setdefault((agent.address, agent.port), asyncio.Lock())

    @property
    def rejected(self) -> Mapping[str, int]:
        """Messages that were not believed, by reason."""
        return self._asker.rejected

    def engine_ids(self) -> set[bytes]:
        """SNMP v3 engines that have been met."""
        return self._asker.engine_ids()

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        """Send one PDU and wait for its answer."""
        async with self._turn(agent):
            return await self._asker.ask(agent, pdu)

    async def run(self, agent: Agent, pdus: Sequence[Pdu], slots: Mapping[bytes, int], values: list[Raw | None]) -> Ran:
        """Send PDUs one after the other, each in a turn of its own; wanted values go to their places."""
        for answered, pdu in enumerate(pdus):
            async with self._turn(agent):
                ran = await self._asker.run(agent, (pdu,), slots, values)
            if ran.outcome is not Outcome.OK:
                return Ran(ran.outcome, answered, ran.detail, ran.why)
        return Ran(Outcome.OK, len(pdus))

    def close(self) -> None:
        """Give sockets and tasks back."""
        self._asker.close()
