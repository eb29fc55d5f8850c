"""How real agents behave (tooBig, short replies, tables that loop), against an agent in memory."""

import pytest

from monitor.devices.ask.snmp import Agent, Answer, Outcome, Pdu, get, walk
from monitor.devices.decode.raw import Missing, Oid, Raw, Table
from tests.devices.fake import AGENT, TableAgent

COLUMN: Oid = (1, 3, 6, 1, 2, 1, 2, 2, 1, 2)
TABLE: Table = {(1, 3, 6, 1, 2, 1, 2, 2, 1, 3, 1): 6, **{(*COLUMN, i): b"port%d" % i for i in range(1, 41)}}


async def test_a_walk_takes_a_column_and_stops_where_it_ends() -> None:
    answer = await walk(TableAgent(TABLE), AGENT, [COLUMN])
    assert answer.outcome is Outcome.OK
    assert list(answer.objects) == [(*COLUMN, i) for i in range(1, 41)]


async def test_too_big_halves_the_repetitions_until_it_fits() -> None:
    answer = await walk(TableAgent(TABLE, most=3), AGENT, [COLUMN])
    assert len(answer.objects) == 40
    answer = await get(TableAgent(TABLE, most=3), AGENT, list(TABLE), chunk=30)
    assert answer.objects == TABLE


async def test_a_get_of_one_object_that_is_too_big_ends() -> None:
    answer = await get(TableAgent(TABLE, most=0), AGENT, list(TABLE)[:1])
    assert answer.outcome is Outcome.AGENT_ERROR


async def test_a_table_that_loops_is_cut_off_and_said() -> None:
    def loop(name: Oid, value: Raw) -> tuple[Oid, Raw]:
        return ((*COLUMN, 3), value) if name[-1] > 20 else (name, value)

    answer = await walk(TableAgent(TABLE, change=loop), AGENT, [COLUMN])
    assert answer.outcome is Outcome.OK
    assert 3 <= len(answer.objects) <= 20
    assert "do not increase" in answer.detail


async def test_an_endless_table_is_capped() -> None:
    class Endless(TableAgent):
        async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
            last = pdu.oids[0][-1] if len(pdu.oids[0]) > len(COLUMN) else 0
            return Answer(Outcome.OK, {(*COLUMN, last + i): 1 for i in range(1, pdu.repetitions + 1)})

    answer = await walk(Endless({}), AGENT, [COLUMN], repetitions=1000)
    assert "cut off" in answer.detail
    assert len(answer.objects) < 25_000


async def test_a_silent_agent_costs_a_walk_one_question() -> None:
    class Deaf(TableAgent):
        async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
            self.asked += 1
            return Answer(Outcome.SILENT, {}, "no answer")

    deaf = Deaf({})
    assert (await walk(deaf, AGENT, [COLUMN])).outcome is Outcome.SILENT
    assert deaf.asked == 1


async def test_what_the_agent_lacks_comes_back_as_missing() -> None:
    answer = await get(TableAgent(TABLE), AGENT, [(1, 3, 9)])
    assert answer.objects == {(1, 3, 9): Missing.NO_SUCH_INSTANCE}


def test_secrets_never_show() -> None:
    assert "x" not in repr(AGENT.credentials).replace("Community", "")


@pytest.mark.parametrize("columns", [[], [COLUMN, (1, 3, 6, 1, 2, 1, 2, 2, 1, 3)]])
async def test_several_columns_and_none(columns: list[Oid]) -> None:
    answer = await walk(TableAgent(TABLE), AGENT, columns)
    assert len(answer.objects) == (41 if columns else 0)
