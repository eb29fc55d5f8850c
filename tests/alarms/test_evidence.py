"""What is picked from the newest readings at the moment of a silence, and what it is taken to mean."""

import pytest

from monitor.alarms.evidence import (
    BEFORE_S,
    FRESH_S,
    GASP_S,
    LINK_UP_DOUBTED_S,
    SETTLE_WAIT_S,
    Before,
    Evidence,
    evidence_for,
    remember,
    restarted,
    settlement,
    signs_of,
)
from monitor.alarms.settlement import Settlement
from monitor.alarms.silence import Watch
from monitor.daemon.memory import Memory
from tests.alarms.test_signs import NOW_S, memory, take

__all__ = ["memory"]

LINK, FEEDER, SUPPLY = "office/port/9", "creek/feeder", "supply/office-a"


def seen(memory: Memory, root: str, now_s: float = NOW_S, gasps: dict[str, float] | None = None) -> Evidence:
    return evidence_for(root, memory.topology, memory.latest, memory.before, memory.budget, now_s, gasps)


def test_each_root_has_the_evidence_of_its_kind(memory: Memory) -> None:
    take(memory, SUPPLY, "supply_volts", 54.0)
    assert seen(memory, "office") == Evidence("head-end")
    assert seen(memory, SUPPLY) == Evidence("supply", supply_volts_now=54.0, supply_gone=False)
    assert (seen(memory, "creek").scope, seen(memory, "creek").supply_volts_now) == ("pole", 54.0)
    share = seen(memory, "creek").share_amperes
    assert share is not None
    assert 0.1 < share < 2, "what it draws by the plan, on a day"


def test_a_solar_pole_behind_a_radio_has_neither_feeder_nor_siblings(memory: Memory) -> None:
    ridge, creek = seen(memory, "ridge"), seen(memory, "creek")
    assert (ridge.own_supply, ridge.by_radio, ridge.siblings, ridge.share_amperes) == (True, True, False, None)
    assert (creek.own_supply, creek.by_radio, creek.siblings) == (False, False, True)


@pytest.mark.parametrize(("state", "up"), [(1.0, True), (2.0, False)])
def test_the_link_towards_it(memory: Memory, state: float, up: bool) -> None:
    """RFC 2863: ifOperStatus up(1), down(2)."""
    take(memory, LINK, "link_state", state)
    assert seen(memory, "creek").uplink_up is up
    assert seen(memory, "creek", NOW_S + FRESH_S).uplink_up is up
    assert seen(memory, "creek", NOW_S + FRESH_S + 1).uplink_up is None, "that is of another round"


def test_a_link_said_to_be_up_right_after_an_answer_proves_nothing_and_one_down_does(memory: Memory) -> None:
    memory.before["creek"] = Before(NOW_S - LINK_UP_DOUBTED_S + 1, (1.1,), 50.0, 100.0)
    take(memory, LINK, "link_state", 1.0)
    assert (seen(memory, "creek").uplink_up, seen(memory, "creek").uplink_doubted) == (None, True)
    later = seen(memory, "creek", NOW_S + 1)
    assert (later.uplink_up, later.uplink_doubted) == (True, False)
    take(memory, LINK, "link_state", 2.0)
    assert (seen(memory, "creek").uplink_up, seen(memory, "creek").uplink_doubted) == (False, False)


@pytest.mark.parametrize(("ago_s", "gasped"), [(GASP_S, True), (GASP_S + 1, False)])
def test_a_last_word_counts_for_a_minute(memory: Memory, ago_s: float, gasped: bool) -> None:
    assert seen(memory, "creek", gasps={"creek": NOW_S - ago_s}).gasped is gasped
    assert not seen(memory, "creek", gasps={"yards": NOW_S}).gasped


@pytest.mark.parametrize(("share", "gone"), [(0.79, True), (0.81, False)])
def test_a_supply_a_fifth_below_what_its_feeders_were_designed_with(memory: Memory, share: float, gone: bool) -> None:
    feeders = [pole.feeder for pole in memory.budget.poles.values() if pole.feeder is not None]
    take(memory, SUPPLY, "supply_volts", share * min(feeder.supply_volts for feeder in feeders))
    assert seen(memory, SUPPLY).supply_gone is gone


@pytest.mark.parametrize(
    ("before", "now", "share", "signs"),
    [
        (1.1, 0.0, 1.1, {"current_gone": True, "current_high": False}),
        (1.0, 0.31, 1.0, {"current_gone": None}),
        (1.0, 0.29, 1.0, {"current_gone": True}),
        (1.0, 0.61, 1.0, {"current_gone": False}),
        (1.0, 0.59, 1.0, {"current_gone": None}),
        (1.0, 1.61, 1.0, {"current_gone": False, "current_high": True}),
        (1.0, 1.59, 1.0, {"current_high": False}),
        (1.1, 0.68, 0.42, {"current_gone": True}),
        (0.05, 0.0, 1.0, {}),
    ],
)
def test_what_the_feeder_s_current_says(before: float, now: float, share: float, signs: dict[str, bool | None]) -> None:
    found, _ = signs_of(Evidence("pole", None, before, now, share))
    assert {name: found[name] for name in ("current_gone", "current_high") if name in signs} == signs
    assert ("current_gone" in found) == bool(signs), "of some milliamperes no share can be told"


@pytest.mark.parametrize(("volts", "low"), [(44.9, True), (45.1, False)])
def test_volts_within_one_of_what_the_switch_needs_were_low(volts: float, low: bool) -> None:
    assert signs_of(Evidence("pole", volts_before=volts, volts_minimum=44.0))[0]["volts_low"] is low


def test_what_a_pole_drew_is_the_middle_of_its_last_three_rounds(memory: Memory) -> None:
    before = None
    for i, amperes in enumerate((5.0, 1.0, 1.2, 0.1)):
        take(memory, FEEDER, "feeder_amperes", amperes, NOW_S + i)
        take(memory, "creek/switch", "uptime_seconds", 100.0 + i, NOW_S + i)
        before = remember(memory.topology, memory.latest, "creek", NOW_S + i, before)
    assert before is not None
    assert (before.recent_amperes, before.amperes, before.uptime_s) == ((1.0, 1.2, 0.1), 1.0, 103.0)
    assert Before(0.0, (1.0, 0.2), None, None).amperes == 1.0, "of two the older"
    assert remember(memory.topology, memory.latest, "creek", NOW_S + 600, before).uptime_s == 103.0, "the last known"


def test_whether_the_switch_restarted_settles_it_and_is_waited_for(memory: Memory) -> None:
    before, back = Before(NOW_S - 100, (), None, 5000.0), Watch(back_since_s=NOW_S - SETTLE_WAIT_S + 1)
    assert restarted("creek", memory.latest, before, NOW_S) is None
    assert settlement("creek", memory.latest, before, back, NOW_S) is None, "it may yet be known"
    assert settlement("creek", memory.latest, before, back, NOW_S + 1) is Settlement.UNTOLD
    take(memory, "creek/switch", "uptime_seconds", 20.0)
    assert settlement("creek", memory.latest, before, back, NOW_S) is Settlement.POWER
    take(memory, "creek/switch", "uptime_seconds", 5100.0)
    assert settlement("creek", memory.latest, before, back, NOW_S) is Settlement.PATH


def test_volts_of_long_ago_are_not_those_before_a_silence(memory: Memory) -> None:
    take(memory, "creek/switch", "input_volts", 43.0)
    assert remember(memory.topology, memory.latest, "creek", NOW_S + BEFORE_S, None).volts == 43.0
    assert remember(memory.topology, memory.latest, "creek", NOW_S + BEFORE_S + 1, None).volts is None
