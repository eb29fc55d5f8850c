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
    spoken,
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


@pytest.mark.parametrize(
    ("before", "now", "share", "gone"),
    [
        (None, 1.0, 1.0, None),
        (1.0, None, 1.0, None),
        (1.0, 0.0, None, 1.0),
        (2.0, 1.5, 1.0, 0.5),
        (1.0, 0.5, 2.0, 0.5),
        (0.05, 0.0, 1.0, None),
        (0.0625, 0.0, 1.0, 1.0),
        (1.0, 3.0, 1.0, -2.0),
    ],
)
def test_how_much_of_its_own_current_is_gone(
    before: float | None, now: float | None, share: float | None, gone: float | None
) -> None:
    """Its share is by the plan, and no more than flowed at all."""
    evidence = Evidence("pole", amperes_before=before, amperes_now=now, share_amperes=share)
    assert evidence.current_gone == gone


@pytest.mark.parametrize(
    ("volts", "least", "low"), [(44.99, 44.0, True), (45.0, 44.0, False), (None, 44.0, None), (40.0, None, None)]
)
def test_volts_are_low_below_one_above_the_least_and_unknown_without_both(
    volts: float | None, least: float | None, low: bool | None
) -> None:
    evidence = Evidence("pole", volts_before=volts, volts_minimum=least)
    assert signs_of(evidence)[0].get("volts_low") is low
    assert evidence.was_short_of_volts is bool(low)


NOTHING = {"pole_silent": True, "agent_silent": True, "gasped": None, "all_lost": False}


@pytest.mark.parametrize(
    ("evidence", "signs", "contexts"),
    [
        (Evidence("head-end"), {**NOTHING, "all_lost": True, "siblings_lost": None}, (False, False)),
        (Evidence("supply"), {**NOTHING, "siblings_lost": True}, (False, False)),
        (
            Evidence("supply", supply_gone=True, gasped=True),
            {**NOTHING, "siblings_lost": True, "supply_wrong": True, "gasped": True},
            (False, False),
        ),
        (Evidence("pole"), {**NOTHING, "siblings_lost": None, "link_down": None}, (False, False)),
        (
            Evidence("pole", True, siblings=True, supply_gone=False),
            {**NOTHING, "siblings_lost": False, "link_down": False, "supply_wrong": False},
            (False, False),
        ),
        (Evidence("pole", False), {**NOTHING, "siblings_lost": None, "link_down": True}, (False, False)),
        (
            Evidence("pole", False, own_supply=True, by_radio=True),
            {**NOTHING, "siblings_lost": None},
            (True, True),
        ),
    ],
)
def test_what_is_not_in_the_evidence_is_in_no_sign(
    evidence: Evidence, signs: dict[str, bool | None], contexts: tuple[bool, bool]
) -> None:
    """A radio has no link lamp at the port above; most switches have no last word."""
    assert signs_of(evidence) == (signs, dict(zip(("solar", "radio"), contexts, strict=True)))


def test_each_thing_that_is_known_has_a_line_and_on_a_pole_the_link_and_the_current_always() -> None:
    assert len(spoken(Evidence("pole"))) == 2
    assert len(spoken(Evidence("pole", True, 1.1, 1.0, volts_before=50.0, supply_volts_now=54.0))) == 4
    assert len(spoken(Evidence("pole", own_supply=True))) == 1, "it has no feeder to be read"
    assert spoken(Evidence("head-end")) == ()
    assert len(spoken(Evidence("supply", supply_volts_now=54.0))) == 1
    said = {spoken(Evidence("pole", up))[0] for up in (True, False)}
    said |= {spoken(Evidence("pole", None, uplink_doubted=doubted))[0] for doubted in (False, True)}
    assert len(said) == 4, "up, down, not known, and not to be believed yet are told apart"


def test_a_pole_is_remembered_with_what_was_read_when_it_answered(memory: Memory) -> None:
    first = remember(memory.topology, memory.latest, "creek", NOW_S, None)
    assert first == Before(NOW_S, (), None, None)
    take(memory, "creek/switch", "input_volts", 51.0, NOW_S - 3600)
    take(memory, FEEDER, "feeder_amperes", 1.5, NOW_S - 3600)
    take(memory, "creek/switch", "uptime_seconds", 77.0, NOW_S - FRESH_S)
    known = remember(memory.topology, memory.latest, "creek", NOW_S, first)
    assert known == Before(NOW_S, (1.5,), 51.0, 77.0), "volts and amperes of the last hour"
    later = remember(memory.topology, memory.latest, "creek", NOW_S + 1, known)
    assert later == Before(NOW_S + 1, (1.5,), None, 77.0), "volts of more than an hour ago are not those before"


def test_the_middle_of_three_is_no_outlier() -> None:
    for recent, middle in (
        ((), None),
        ((2.0,), 2.0),
        ((2.0, 9.0), 2.0),
        ((9.0, 1.0, 2.0), 2.0),
        ((1.0, 2.0, 0.0), 1.0),
    ):
        assert Before(0.0, recent, None, None).amperes == middle


def test_the_evidence_on_a_pole_holds_what_stood_before(memory: Memory) -> None:
    memory.before["creek"] = Before(NOW_S - 15, (1.1,), 50.0, 100.0)
    take(memory, LINK, "link_state", 1.0)
    take(memory, FEEDER, "feeder_amperes", 0.25)
    found = seen(memory, "creek")
    assert (found.amperes_before, found.amperes_now, found.volts_before) == (1.1, 0.25, 50.0)
    assert found.volts_minimum == 44.0, "as the plan says"
    assert (found.uplink_up, found.uplink_doubted) == (True, False), "15 s after it has answered it is believed"
    assert seen(memory, "creek", NOW_S + 11).amperes_now is None, "of another round"
    memory.before["creek"] = Before(NOW_S - 14, (1.1,), 50.0, 100.0)
    assert seen(memory, "creek").uplink_doubted
    unknown = seen(memory, "yards")
    assert (unknown.amperes_before, unknown.volts_before, unknown.uplink_up) == (None, None, None)


def test_volts_of_a_supply_that_feeds_no_pole_by_copper_are_never_gone(memory: Memory) -> None:
    take(memory, "supply/ridge-solar", "supply_volts", 1.0)
    assert seen(memory, "ridge").supply_gone is None
    assert seen(memory, "creek").supply_gone is None, "and none that were not read"


def test_a_return_is_settled_at_once_where_nothing_more_will_be_known(memory: Memory) -> None:
    back = Watch(back_since_s=NOW_S - 59)
    unknown = Before(NOW_S - 100, (), None, None)
    assert settlement("creek", memory.latest, unknown, back, NOW_S) is Settlement.UNTOLD, "its uptime was never read"
    assert settlement("creek", memory.latest, None, back, NOW_S) is Settlement.UNTOLD
    known = Before(NOW_S - 100, (), None, 5000.0)
    assert settlement("creek", memory.latest, known, Watch(), NOW_S) is Settlement.UNTOLD, "it has not come back"
    assert settlement("creek", memory.latest, known, back, NOW_S) is None
    assert settlement("creek", memory.latest, known, Watch(back_since_s=NOW_S - 60), NOW_S) is Settlement.UNTOLD
    take(memory, "creek/switch", "uptime_seconds", 20.0)
    assert restarted("creek", memory.latest, known, NOW_S) is True
    assert restarted("creek", memory.latest, unknown, NOW_S) is None
    assert restarted("creek", memory.latest, None, NOW_S) is None
    assert restarted("creek", memory.latest, known, NOW_S + FRESH_S + 1) is None
