"""A notification asks its sender, and nothing else; whoever floods is heard now and then."""

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.memory import Memory
from monitor.daemon.trapping import BURST, Trapping, own_engine
from monitor.devices.ask.snmp_traps import Notification
from monitor.devices.decode.interfaces import IF_NAME, IF_OPER_STATUS, IF_TYPE
from monitor.devices.decode.raw import Oid, Raw, Table
from monitor.devices.decode.traps import TRAP_OID
from monitor.devices.questions import scripts_of

DOWN: Oid = (1, 3, 6, 1, 6, 3, 1, 1, 5, 3)
IF_INDEX: Oid = (1, 3, 6, 1, 2, 1, 2, 2, 1, 1)


@pytest.fixture
def asked() -> list[tuple[str, bool]]:
    return []


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def memory(design: Design) -> Memory:
    made = Memory(design)
    office = design.switch_of("office")
    learnt: Table = {(*IF_NAME, 3): b"9", (*IF_TYPE, 3): 6, (*IF_NAME, 4): b"10", (*IF_TYPE, 4): 6}
    made.scripts[office.name] = scripts_of(office, learnt)
    assert any(want.oid[: len(IF_OPER_STATUS)] == IF_OPER_STATUS for want in made.scripts[office.name]["reach"].wants)
    return made


@pytest.fixture
def trapping(memory: Memory, clock: HandClock, asked: list[tuple[str, bool]]) -> Trapping:
    ask: Callable[[str, str, bool], None] = lambda place, _, doubted: asked.append((place, doubted))  # noqa: E731  # typed
    return Trapping(memory, clock, ask)


def note(source: str, **objects: Raw) -> Notification:
    found: dict[Oid, Raw] = {TRAP_OID: DOWN}
    if "row" in objects:
        found[*IF_INDEX, 3] = objects["row"]
    return Notification(source, False, found)


def head_end(memory: Memory) -> str:
    return memory.design.switch_of("office").address


def test_a_link_that_went_down_casts_doubt_on_the_pole_behind_it(
    memory: Memory, trapping: Trapping, asked: list[tuple[str, bool]]
) -> None:
    uplinks = memory.design.topology.uplink
    port = next(w.slot.resource for w in memory.scripts["office/switch"]["reach"].wants if w.oid[-1] == 3)
    (pole,) = [pole for pole, uplink in uplinks.items() if uplink == port]
    before = dict(memory.watches)
    trapping.heard(note(head_end(memory), row=3))
    assert asked == [(pole, True), ("office", False)]
    assert memory.watches == before, "a notification changes no state"


def test_without_a_row_all_poles_behind_the_switch_are_asked(
    memory: Memory, trapping: Trapping, asked: list[tuple[str, bool]]
) -> None:
    trapping.heard(note(head_end(memory)))
    below = {pole for pole, above in memory.design.topology.above.items() if above == "office"}
    assert {place for place, doubted in asked if doubted} == below


def test_a_stranger_asks_nobody(trapping: Trapping, asked: list[tuple[str, bool]]) -> None:
    for _ in range(50):
        trapping.heard(note("203.0.113.9"))
    assert asked == []
    assert trapping.counts["from strangers"] == 50


async def test_a_flood_is_heard_now_and_then_and_others_meanwhile(
    memory: Memory, trapping: Trapping, clock: HandClock, asked: list[tuple[str, bool]]
) -> None:
    creek, yards = (memory.design.switch_of(pole).address for pole in ("creek", "yards"))
    for _ in range(1000):
        trapping.heard(note(creek))
    assert trapping.counts["heard"] == BURST
    trapping.heard(note(yards))
    assert ("yards", False) in asked
    await clock.turn(2.0)
    trapping.heard(note(creek))
    assert trapping.counts["heard"] == BURST + 2


def test_our_engine_is_the_same_after_a_restart_and_counts_its_starts(tmp_path: Path) -> None:
    (first, one), (second, two) = own_engine(tmp_path), own_engine(tmp_path)
    assert first == second
    assert (one, two) == (1, 2)
    (tmp_path / "engine").write_text("", encoding="ascii")  # as a full disk, or a power cut, has left it
    assert own_engine(tmp_path)[0] != first
    assert first[0] & 0x80  # RFC 3411: the first bit says that an enterprise number follows
