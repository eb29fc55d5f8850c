"""Rounds in few PDUs, and what they do with agents that answer badly; against an agent in memory."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.devices.ask.snmp import Agent, Answer, Outcome, Pdu, Why
from monitor.devices.ask.snmp_ber import encoded
from monitor.devices.ask.snmp_everything import everything
from monitor.devices.ask.snmp_round import MOST_OCTETS, fetch, shape
from monitor.devices.decode.raw import Missing, Oid, Raw, Table, oid
from tests.bench import snmp_load as load
from tests.devices.fake import AGENT, TableAgent

ENTRY = oid("1.3.6.1.2.1.2.2.1")


def table(rows: list[Oid], columns: tuple[int, ...] = (1, 7, 8, 10)) -> Table:
    return {(*ENTRY, column, *row): 100 * column + row[-1] for column in columns for row in rows}


def test_twelve_pdus_carry_the_reference_load() -> None:
    planned = shape(load.OIDS, load.ROWS)
    assert len(planned.pdus) <= 12
    assert all(len(pdu.body) < 200 for pdu in planned.pdus)


async def test_the_reference_load_comes_whole_and_in_its_places() -> None:
    served: Table = {one: i for i, one in enumerate(load.OIDS)}
    agent = TableAgent(served, most=200)
    came = await fetch(agent, AGENT, shape(load.OIDS, load.ROWS))
    assert came.outcome is Outcome.OK
    assert came.values == [served[one] for one in load.OIDS]
    assert not came.cut
    assert agent.asked == came.pdus <= 12


@given(
    st.lists(st.integers(1, 60), min_size=1, max_size=30, unique=True).map(sorted),
    st.sets(st.sampled_from([1, 7, 8, 10]), min_size=1),
    st.data(),
)
def test_whatever_is_wanted_of_a_table_has_a_place_in_some_pdu(
    numbers: list[int], columns: set[int], data: st.DataObject
) -> None:
    rows: list[Oid] = [(number,) for number in numbers]
    wanted = data.draw(st.lists(st.sampled_from(rows), min_size=1, unique=True))
    oids = [(*ENTRY, column, *row) for column in sorted(columns) for row in wanted]
    planned = shape(oids, {ENTRY: rows})
    covered: set[Oid] = set()
    for pdu in planned.pdus:
        if pdu.kind == "get":
            covered |= set(pdu.oids)
            continue
        for start in pdu.oids[pdu.non_repeaters :]:
            column, before = start[: len(ENTRY) + 1], start[len(ENTRY) + 1 :]
            at = rows.index(before) + 1 if before else 0
            covered |= {(*column, *row) for row in rows[at : at + pdu.repetitions]}
        covered |= set(oids) if pdu.non_repeaters else set()
    assert covered >= set(oids)


async def test_scalars_travel_with_the_columns() -> None:
    rows: list[Oid] = [(i,) for i in range(1, 9)]
    scalar, single = oid("1.3.6.1.2.1.1.3.0"), oid("1.3.6.1.2.1.105.1.3.1.1.4.1")
    served = {**table(rows), scalar: 5, single: 6}
    planned = shape([*table(rows), scalar, single], {ENTRY: rows})
    assert len(planned.pdus) == 1
    came = await fetch(TableAgent(served), AGENT, planned)
    assert came.values[-2:] == [5, 6]


async def test_holes_are_asked_for_by_name_once_and_are_absent() -> None:
    rows: list[Oid] = [(i,) for i in range(1, 9)]
    served = table(rows)
    del served[*ENTRY, 8, 3]
    wanted = list(table(rows))
    came = await fetch(TableAgent(served), AGENT, shape(wanted, {ENTRY: rows}))
    assert came.outcome is Outcome.OK
    values = dict(zip(wanted, came.values, strict=True))
    assert values[*ENTRY, 8, 3] is Missing.NO_SUCH_INSTANCE
    assert all(values[one] == raw for one, raw in served.items())
    lacking = frozenset([(*ENTRY, 8, 3)])
    again = await fetch(TableAgent(served), AGENT, shape(wanted, {ENTRY: rows}, lacking=lacking))
    assert again.values == came.values


@pytest.mark.parametrize("most", [1, 2, 7, 20])
async def test_too_big_is_asked_for_in_pieces_and_remembered_as_cut(most: int) -> None:
    rows: list[Oid] = [(i,) for i in range(1, 27)]
    served = table(rows)
    came = await fetch(TableAgent(served, most=most), AGENT, shape(list(served), {ENTRY: rows}))
    assert came.values == list(served.values())
    assert came.cut


class Short(TableAgent):
    """Gives the first few objects only, as agents do whose answer would not fit."""

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        answer = await super().ask(agent, pdu)
        first = dict(list(answer.objects.items())[:5])
        return Answer(answer.outcome, first if pdu.kind == "bulk" else answer.objects)


async def test_a_short_answer_is_no_end_and_is_remembered_as_cut() -> None:
    rows: list[Oid] = [(i,) for i in range(1, 27)]
    served = table(rows)
    came = await fetch(Short(served), AGENT, shape(list(served), {ENTRY: rows}))
    assert came.values == list(served.values())
    assert came.cut


class DeafToLarge(TableAgent):
    """Large answers never arrive: fragments are lost on the way."""

    async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
        self.asked += 1
        size = sum(len(encoded(one)) + 11 for one in pdu.oids) * max(1, pdu.repetitions)
        return Answer(Outcome.SILENT, {}, "no answer") if size > 300 else await super().ask(agent, pdu)


async def test_answers_that_are_lost_for_their_size_come_in_smaller_ones() -> None:
    rows: list[Oid] = [(i,) for i in range(1, 27)]
    served = {**table(rows), oid("1.3.6.1.2.1.1.3.0"): 1}
    retrying = Agent(AGENT.address, AGENT.port, AGENT.credentials, 1.0, 1)
    most, came = MOST_OCTETS, None
    for _ in range(3):  # what the rounds do: halve after a round that was cut
        came = await fetch(DeafToLarge(served), retrying, shape(list(served), {ENTRY: rows}, most))
        most //= 2 if came.cut else 1
    assert came is not None
    assert came.values == list(served.values())


async def test_a_dead_agent_costs_one_question_when_there_is_a_hurry() -> None:
    class Dead(TableAgent):
        async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
            self.asked += 1
            return Answer(Outcome.SILENT, {}, "no answer")

    dead = Dead({})
    came = await fetch(dead, Agent("192.0.2.1", 161, AGENT.credentials, 1.0, 0), shape(load.OIDS, load.ROWS))
    assert came.outcome is Outcome.SILENT
    assert dead.asked == 1


@pytest.mark.parametrize(("why", "asked"), [(Why.PORT_CLOSED, 1), (Why.NO_ANSWER, 2)])
async def test_a_closed_port_is_not_asked_again_in_whatever_words_it_is_told(why: Why, asked: int) -> None:
    """Silence to a large answer may be the answer's size, which a small question tells; a closed port is one."""

    class Gone(TableAgent):
        async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
            self.asked += 1
            return Answer(Outcome.SILENT, {}, "dort ist niemand", why)

    gone, retrying = Gone({}), Agent(AGENT.address, AGENT.port, AGENT.credentials, 1.0, 1)
    assert (await fetch(gone, retrying, shape(load.OIDS, load.ROWS))).outcome is Outcome.SILENT
    assert gone.asked == asked


async def walked(agent: TableAgent) -> tuple[Table, list[tuple[Oid, Raw, str]], list[str]]:
    got = await everything(agent, AGENT, lambda count, at: None)
    assert got.outcome is Outcome.OK
    return got.objects, got.strange, got.notes


async def test_everything_is_everything() -> None:
    served = table([(i,) for i in range(1, 200)])
    assert await walked(TableAgent(served)) == (served, [], [])


async def test_past_a_table_that_loops_the_rest_is_still_read() -> None:
    loop, after = oid("1.3.6.1.2.1.17.4.3.1.1"), oid("1.3.6.1.2.1.99.1.1.1.4.7")
    served: Table = {**{(*loop, i): i for i in range(1, 50)}, after: 42}

    def change(name: Oid, value: Raw) -> tuple[Oid, Raw]:
        return ((*loop, 5), value) if name[:-1] == loop and name[-1] > 20 else (name, value)

    objects, _, notes = await walked(TableAgent(served, change=change))
    assert objects[after] == 42
    assert any("do not increase" in note for note in notes)


async def test_an_object_that_comes_out_of_order_is_listed_as_strange() -> None:
    column, late = oid("1.3.6.1.2.1.2.2.1.2"), oid("1.3.6.1.2.1.2.1.0")
    served: Table = {(*column, i): i for i in range(1, 30)}

    def change(name: Oid, value: Raw) -> tuple[Oid, Raw]:
        return (late, 7) if name == (*column, 10) else (name, value)

    _, strange, notes = await walked(TableAgent(served, change=change))
    assert [(name, raw) for name, raw, _ in strange][:1] == [(late, 7)]
    assert notes


async def test_an_endless_agent_is_cut_off() -> None:
    class Endless(TableAgent):
        async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
            last = pdu.oids[0][-1] if len(pdu.oids[0]) > 3 else 0
            return Answer(Outcome.OK, {(1, 3, 6, last + i): 1 for i in range(1, pdu.repetitions + 1)})

    _, _, notes = await walked(Endless({}))
    assert any("cut off" in note for note in notes)


async def test_an_agent_that_stops_in_the_middle_keeps_what_came() -> None:
    served = table([(i,) for i in range(1, 100)])

    class Stops(TableAgent):
        async def ask(self, agent: Agent, pdu: Pdu) -> Answer:
            if pdu.oids[0] > (*ENTRY, 8, 20):
                return Answer(Outcome.SILENT, {}, "no answer")
            return await super().ask(agent, pdu)

    objects, _, notes = await walked(Stops(served))
    assert len(objects) > 100
    assert any("did not go on" in note for note in notes)
