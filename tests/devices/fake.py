"""An agent in memory for the pure parts: answers PDUs from a table, well or badly."""

from collections.abc import Callable

from monitor.devices.ask.snmp import Agent, Answer, Community, Outcome, Pdu
from monitor.devices.decode.raw import Missing, Oid, Raw, Table

AGENT = Agent("192.0.2.1", 161, Community("x"))


class TableAgent:
    """Serves a table; ``most`` objects fit into one answer, beyond that it says tooBig."""

    def __init__(
        self, table: Table, most: int = 1000, change: Callable[[Oid, Raw], tuple[Oid, Raw]] | None = None
    ) -> None:
        self.table = dict(sorted(table.items()))
        self.most, self.change, self.asked = most, change, 0

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        self.asked += 1
        size = len(pdu.oids) * max(1, pdu.repetitions)
        if size > self.most:
            return Answer(Outcome.AGENT_ERROR, {}, "tooBig at object 0")
        if pdu.kind == "get":
            return Answer(Outcome.OK, {o: self.table.get(o, Missing.NO_SUCH_INSTANCE) for o in pdu.oids})
        names, found = list(self.table), dict[Oid, Raw]()
        at = pdu.oids[0]
        for _ in range(pdu.repetitions):
            later = next((n for n in names if n > at), None)
            if later is None:
                found.setdefault(at, Missing.END_OF_MIB_VIEW)
                break
            at, value = later, self.table[later]
            shown = self.change(at, value) if self.change else (at, value)
            found[shown[0]] = shown[1]
        return Answer(Outcome.OK, found)

    def close(self) -> None:
        pass
