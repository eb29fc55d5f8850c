"""Asking the same agent at the same time: one PDU under way, small switches drop more (common practice, no source)."""

import asyncio
from collections import Counter
from dataclasses import replace

from monitor.devices.ask.snmp import Agent, Answer, Community, Outcome, Pdu, Ran
from monitor.devices.ask.snmp_turns import TurnsAsker
from tests.devices.fake import TableAgent

UPTIME = (1, 3, 6, 1, 2, 1, 1, 3, 0)
GET = Pdu("get", (UPTIME,))
POLE, OTHER = (Agent(f"127.0.0.{i}", 161, Community("x")) for i in (1, 2))


class Slow(TableAgent):
    """An agent that takes a moment, silent from one of its PDUs on; how many were under way to each at once."""

    def __init__(self, silent_from: int = 1000) -> None:
        super().__init__({})
        self.silent_from = silent_from
        self.under_way: Counter[str] = Counter()
        self.at_once: dict[str, int] = {}

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        self.asked += 1
        if self.asked >= self.silent_from:
            return Answer(Outcome.SILENT, {}, "no answer")
        self.under_way[agent.address] += 1
        self.at_once[agent.address] = max(self.at_once.get(agent.address, 0), self.under_way[agent.address])
        await asyncio.sleep(0.001)
        self.under_way[agent.address] -= 1
        return Answer(Outcome.OK, {UPTIME: 1})


async def test_a_long_round_lets_a_short_one_in_between() -> None:
    slow = Slow()
    turns = TurnsAsker(slow)
    ended: list[str] = []

    async def ask(name: str, agent: Agent, pdus: int) -> None:
        ran = await turns.run(agent, [GET] * pdus, {}, [])
        assert (ran.outcome, ran.answered) == (Outcome.OK, pdus)
        ended.append(name)

    await asyncio.gather(
        ask("measure", POLE, 40), ask("reach", POLE, 2), ask("of another", OTHER, 4), turns.ask(POLE, GET)
    )
    assert ended == ["of another", "reach", "measure"]
    assert slow.at_once == {POLE.address: 1, OTHER.address: 1}


async def test_where_it_stopped_is_told_as_of_the_whole_round() -> None:
    for silent_from in (1, 2, 6):
        ran = await TurnsAsker(Slow(silent_from=silent_from)).run(POLE, [GET] * 6, {}, [])
        assert ran == Ran(Outcome.SILENT, silent_from - 1, "no answer")
    for pdus in (0, 1, 6):
        assert await TurnsAsker(Slow()).run(POLE, [GET] * pdus, {}, []) == Ran(Outcome.OK, pdus)


async def test_two_users_of_an_agent_take_turns_too() -> None:
    slow = Slow()
    turns = TurnsAsker(slow)
    await asyncio.gather(turns.ask(POLE, GET), turns.ask(replace(POLE, credentials=Community("y"), retries=0), GET))
    assert slow.at_once == {POLE.address: 1}
