"""An agent in memory for the pure parts: answers PDUs from a table, well or badly."""

from collections.abc import Callable, Mapping, Sequence

from monitor.devices.ask.snmp import Agent, Answer, Community, Outcome, Pdu, Ran, Why, run_by_asking
from monitor.devices.decode.raw import Missing, Oid, Raw, Table

AGENT = Agent("192.0.2.1", 161, Community("x"))


class TableAgent:
    """Serves a table; ``most`` objects fit into one answer, beyond that it says tooBig."""

    def __init__(
        self, table: Table, most: int = 1000, change: Callable[[Oid, Raw], tuple[Oid, Raw]] | None = None
    ) -> None:
        self.table = dict(sorted(table.items()))
        self.most, self.change, self.asked = most, change, 0
        self.rejected: dict[str, int] = {}

    def engine_ids(self) -> set[bytes]:
        return set()

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        self.asked += 1
        size = len(pdu.oids) * max(1, pdu.repetitions)
        if size > self.most:
            return Answer(Outcome.AGENT_ERROR, {}, "es passt nicht hinein", Why.TOO_BIG)
        if pdu.kind == "get":
            return Answer(Outcome.OK, {o: self.table.get(o, Missing.NO_SUCH_INSTANCE) for o in pdu.oids})
        found: Table = {}
        for i, at in enumerate(pdu.oids):
            for _ in range(1 if i < pdu.non_repeaters else pdu.repetitions):
                at = self._following(at, found)
        return Answer(Outcome.OK, found)

    def _following(self, at: Oid, found: Table) -> Oid:
        later = next((name for name in self.table if name > at), None)
        if later is None:
            found.setdefault(at, Missing.END_OF_MIB_VIEW)
            return at
        shown = self.change(later, self.table[later]) if self.change else (later, self.table[later])
        found[shown[0]] = shown[1]
        return later

    async def run(self, agent: Agent, pdus: Sequence[Pdu], slots: Mapping[bytes, int], values: list[Raw | None]) -> Ran:
        return await run_by_asking(self, agent, pdus, slots, values)

    def close(self) -> None:
        pass
