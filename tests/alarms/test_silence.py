import pytest

from monitor.alarms.silence import GRACE_S, Explained, Sight, Watch, explain, hold_explained, look, overshadowed
from monitor.alarms.topology import Topology
from monitor.daemon.design import Design
from monitor.facts.readings import State

SEEN, SILENT = State.SEEN, State.SILENT
WELL, GONE = Watch(answered_s=1.0, agent_ever=True), Watch(misses=2, kinds=2, agent_misses=2)


@pytest.fixture
def topology(design: Design) -> Topology:
    return design.topology


def watches(topology: Topology, *gone: str) -> dict[str, Watch]:
    return {place: GONE if place in gone else WELL for place in (topology.headend, *topology.above)}


def test_what_lies_behind_what(topology: Topology) -> None:
    assert topology.behind("creek") == ["woolshed", "ridge"]
    assert list(topology.way("woolshed")) == ["creek", "office"]
    assert topology.uplink["ridge"] == "creek/port/3"
    assert topology.feeder_head("woolshed") == "creek"
    assert topology.fed_by("office-a") == ["creek", "woolshed", "yards"]


def test_a_pole_explains_what_lies_behind_it_seen_missing_or_not_yet(topology: Topology) -> None:
    found = explain(topology, watches(topology, "creek"))
    assert found.roots == {"creek": ("ridge", "woolshed")}
    found = explain(topology, watches(topology, "creek", "woolshed", "ridge"))
    assert found.roots == {"creek": ("ridge", "woolshed")}
    assert found.because == {"woolshed": "creek", "ridge": "creek"}


def test_all_poles_of_a_supply_with_two_feeders_are_the_supply(topology: Topology) -> None:
    found = explain(topology, watches(topology, "creek", "woolshed", "yards", "ridge"))
    assert found.roots == {"supply/office-a": ("creek", "ridge", "woolshed", "yards")}
    assert found.because["ridge"] == "supply/office-a"


def test_everything_and_the_head_end_switch_is_the_head_end(topology: Topology) -> None:
    found = explain(topology, watches(topology, "office", "creek", "woolshed", "yards", "ridge"))
    assert list(found.roots) == ["office"]


def test_after_a_start_what_has_not_been_asked_yet_is_waited_for(topology: Topology) -> None:
    """Else the first pole that is asked would be blamed for a head-end that is off."""
    found = explain(topology, dict.fromkeys(topology.above, Watch()) | {"office": GONE, "creek": GONE})
    assert found.roots == {}
    assert found.waiting == {"creek"}
    found = explain(topology, {**watches(topology, "creek"), "yards": Watch()})
    assert list(found.roots) == ["creek"], "one that answers, woolshed, speaks for the supply"


def test_a_root_that_follows_from_another_has_not_come_back(topology: Topology) -> None:
    before = explain(topology, watches(topology, "creek", "woolshed"))
    seen = watches(topology, "creek", "woolshed", "ridge", "yards") | {"office": Watch(misses=1)}
    now = explain(topology, seen)
    assert now.roots == {}
    assert hold_explained(topology, seen, before, now, 100.0) == seen, "nothing is given time to start"


def test_two_poles_that_share_nothing_stand_for_themselves(topology: Topology) -> None:
    found = explain(topology, watches(topology, "woolshed", "yards"))
    assert found.roots == {"woolshed": (), "yards": ()}


def test_a_pole_waits_while_the_one_above_it_is_in_doubt(topology: Topology) -> None:
    seen = {**watches(topology, "woolshed"), "creek": Watch(misses=1, kinds=2)}
    found = explain(topology, seen)
    assert found.roots == {}
    assert found.waiting == {"woolshed"}


def test_one_kind_of_sign_needs_more_rounds_than_two() -> None:
    agent_only, both = Watch(), Watch()
    for _ in range(2):
        agent_only = look(agent_only, Sight("creek", 1.0, SILENT))
        both = look(both, Sight("creek", 1.0, SILENT, loads={"camera": SILENT}))
    assert both.silent
    assert not agent_only.silent
    for _ in range(2):
        agent_only = look(agent_only, Sight("creek", 1.0, SILENT))
    assert agent_only.silent


@pytest.mark.parametrize(
    "sight",
    [
        Sight("creek", 1.0, SILENT, loads={"camera": SEEN, "gateway": SILENT}),
        Sight("creek", 1.0, SILENT, ping=SEEN),
        Sight("creek", 1.0, None, refused=True, loads={"camera": SILENT}),
        Sight("creek", 1.0, State.GARBLED),
    ],
)
def test_any_answer_even_a_refusal_is_an_answer(sight: Sight) -> None:
    watch = Watch()
    for _ in range(9):
        watch = look(watch, sight)
    assert not watch.doubtful


def test_what_a_root_explained_gets_time_to_start_when_the_root_is_gone(topology: Topology) -> None:
    before = explain(topology, watches(topology, "creek", "woolshed", "ridge"))
    seen = watches(topology, "woolshed", "ridge")
    now = explain(topology, seen)
    held = hold_explained(topology, seen, before, now, 1000.0)
    assert explain(topology, held) == Explained({}, {}, frozenset())
    still = look(held["woolshed"], Sight("woolshed", 1000.0 + GRACE_S - 1, SILENT, loads={"a": SILENT}))
    assert not still.silent
    late = still
    for i in range(2):
        late = look(late, Sight("woolshed", 1000.0 + GRACE_S + i, SILENT, loads={"a": SILENT}))
    assert late.silent


def test_what_had_only_begun_to_miss_behind_a_root_gets_that_time_too(topology: Topology) -> None:
    before = explain(topology, watches(topology, "creek"))
    seen = {**watches(topology), "ridge": Watch(misses=1, kinds=2, answered_s=1.0)}
    held = hold_explained(topology, seen, before, explain(topology, seen), 1000.0)
    for i in range(5):
        held["ridge"] = look(held["ridge"], Sight("ridge", 1001.0 + i, SILENT, loads={"a": SILENT}))
    assert not held["ridge"].silent


def test_what_lies_behind_a_pole_that_is_just_back_waits_for_that_pole_s_loads(topology: Topology) -> None:
    """The supply's root ends with the first pole that is back; another, with a radio on it, comes a minute later."""
    before = explain(topology, watches(topology, "creek", "ridge"))
    seen = {**watches(topology, "ridge"), "creek": Watch(answered_s=1060.0, back_since_s=1060.0, agent_ever=True)}
    seen["ridge"] = Watch(misses=1, held_until_s=1000.0 + GRACE_S)
    held = hold_explained(topology, seen, before, explain(topology, seen), 1060.0)
    assert held["ridge"].held_until_s == 1060.0 + GRACE_S
    after = explain(topology, held)
    quiet = hold_explained(topology, held, after, after, 1060.0 + GRACE_S + 1)
    assert quiet["ridge"].held_until_s == 1060.0 + GRACE_S, "and not for ever"


def test_a_pole_behind_one_that_is_set_free_is_set_free_with_it(topology: Topology) -> None:
    """A supply is back at one pole; those behind another that still starts must not be called silent before it."""
    before = Explained({"supply/office-a": ("creek", "ridge", "woolshed")}, {}, frozenset())
    seen = watches(topology, "creek", "woolshed", "ridge")
    now = explain(topology, seen)
    assert now.because["ridge"] == "creek"
    held = hold_explained(topology, seen, before, now, 1000.0)
    assert {held[pole].held_until_s for pole in ("creek", "woolshed", "ridge")} == {1000.0 + GRACE_S}


def test_what_a_silence_explains_beyond_its_poles(topology: Topology) -> None:
    seen = watches(topology, "creek", "woolshed", "ridge")
    shadow = overshadowed(topology, seen, explain(topology, seen))
    assert shadow["office/optic/9"] == "creek"
    assert shadow["creek/optic/6"] == "creek"
    assert shadow["supply/office-a"] == ""
    assert "office/optic/10" not in shadow
    seen = watches(topology, "creek", "woolshed", "yards", "ridge")
    assert overshadowed(topology, seen, explain(topology, seen))["supply/office-a"] == "supply/office-a"


def test_a_place_whose_switch_has_run_for_long_is_not_starting_when_it_is_first_heard() -> None:
    first = Sight("creek", 1000.0, agent=State.SEEN)
    assert look(Watch(), first).back_since_s == 1000.0
    assert look(Watch(), first, 30.0).back_since_s == 1000.0
    assert look(Watch(), first, 86_400.0).back_since_s == 1000.0 - GRACE_S


@pytest.mark.parametrize(
    ("sight", "asked", "answers", "kinds"),
    [
        (Sight("creek", 1.0), False, False, 0),
        (Sight("creek", 1.0, uplink_up=False), False, False, 1),
        (Sight("creek", 1.0, uplink_up=True), False, False, 0),
        (Sight("creek", 1.0, refused=True), True, True, 0),
        (Sight("creek", 1.0, SILENT), True, False, 1),
        (Sight("creek", 1.0, SEEN), True, True, 0),
        (Sight("creek", 1.0, ping=SILENT), True, False, 1),
        (Sight("creek", 1.0, ping=SEEN), True, True, 0),
        (Sight("creek", 1.0, loads={"camera": SILENT}), True, False, 1),
        (Sight("creek", 1.0, loads={"camera": SILENT, "gateway": SEEN}), True, True, 0),
        (Sight("creek", 1.0, SILENT, ping=SILENT, uplink_up=False, loads={"camera": SILENT}), True, False, 4),
    ],
)
def test_what_one_round_saw_of_a_place(sight: Sight, asked: bool, answers: bool, kinds: int) -> None:
    """The link at the port above says something of a place and is no question to it."""
    assert (sight.asked, sight.answers, sight.kinds_missed) == (asked, answers, kinds)


@pytest.mark.parametrize(
    ("misses", "kinds", "silent"),
    [(0, 0, False), (1, 2, False), (2, 2, True), (2, 1, False), (3, 1, False), (4, 1, True), (4, 0, True)],
)
def test_two_rounds_of_two_kinds_or_four_of_one(misses: int, kinds: int, silent: bool) -> None:
    assert Watch(misses=misses, kinds=kinds).silent is silent
    assert Watch(misses=misses).doubtful is (misses > 0)


def test_where_nothing_was_asked_nothing_changes() -> None:
    before = Watch(misses=3, kinds=1, answered_s=7.0, agent_ever=True, agent_misses=3)
    assert look(before, Sight("creek", 500.0, uplink_up=False)) == before


def test_a_missed_agent_is_counted_and_forgotten_when_it_answers_or_was_not_asked() -> None:
    watch = Watch()
    for misses in (1, 2, 3):
        watch = look(watch, Sight("creek", float(misses), SILENT, ping=SEEN))
        assert (watch.agent_misses, watch.agent_ever, watch.misses) == (misses, False, 0)
    watch = look(watch, Sight("creek", 4.0, SEEN))
    assert (watch.agent_misses, watch.agent_ever) == (0, True)
    watch = look(look(watch, Sight("creek", 5.0, SILENT, ping=SEEN)), Sight("creek", 6.0, ping=SEEN))
    assert (watch.agent_misses, watch.agent_ever) == (0, True), "it has answered once, and that stays"


def test_a_place_that_missed_a_round_or_two_has_not_been_away() -> None:
    heard = look(Watch(), Sight("creek", 100.0, SEEN))
    assert (heard.answered_s, heard.back_since_s, heard.misses) == (100.0, 100.0, 0)
    missed = look(heard, Sight("creek", 115.0, SILENT, ping=SILENT))
    assert (missed.misses, missed.kinds, missed.answered_s) == (1, 2, 100.0)
    again = look(missed, Sight("creek", 130.0, SEEN))
    assert (again.misses, again.kinds, again.answered_s, again.back_since_s) == (0, 0, 130.0, 100.0)
    away = look(look(again, Sight("creek", 145.0, SILENT, ping=SILENT)), Sight("creek", 160.0, SILENT))
    assert away.silent, "the most kinds that were missing count"
    assert look(away, Sight("creek", 175.0, SEEN)).back_since_s == 175.0


def test_what_was_held_has_been_away_and_misses_nothing_until_its_time_is_over() -> None:
    held = Watch(misses=1, answered_s=10.0, back_since_s=10.0, held_until_s=200.0)
    early = look(held, Sight("creek", 199.0, SILENT, ping=SILENT))
    assert (early.misses, early.kinds, early.held_until_s) == (1, 0, 200.0)
    late = look(early, Sight("creek", 200.0, SILENT, ping=SILENT))
    assert (late.misses, late.kinds) == (2, 2)
    back = look(early, Sight("creek", 150.0, SEEN))
    assert (back.back_since_s, back.held_until_s) == (150.0, 0.0)


@pytest.mark.parametrize(("uptime_s", "back_s"), [(None, 1000.0), (119.0, 1000.0), (120.0, 880.0)])
def test_two_minutes_are_the_time_to_start(uptime_s: float | None, back_s: float) -> None:
    first = look(Watch(), Sight("creek", 1000.0, SEEN), uptime_s)
    assert first.back_since_s == back_s
    away = Watch(misses=4, answered_s=5.0, back_since_s=5.0)
    assert look(away, Sight("creek", 1000.0, SEEN), 86_400.0).back_since_s == 1000.0, "heard before, it was away"


def test_the_head_end_is_blamed_when_it_has_missed_twice_and_all_poles_are_silent(topology: Topology) -> None:
    all_gone = watches(topology, *topology.above)
    for misses, roots in ((1, []), (2, ["office"])):
        found = explain(topology, {**all_gone, "office": Watch(misses=2, kinds=1, agent_misses=misses)})
        assert list(found.roots) == roots
        assert found.waiting == (frozenset() if roots else frozenset(topology.above))
    assert found.because == dict.fromkeys(topology.above, "office")
    some = {**all_gone, "office": GONE, "yards": Watch(misses=1)}
    assert explain(topology, some) == Explained({}, {}, frozenset(set(topology.above) - {"yards"}))


def test_of_a_supply_one_that_is_only_in_doubt_keeps_the_others_waiting(topology: Topology) -> None:
    found = explain(topology, {**watches(topology, "creek", "woolshed"), "yards": Watch(misses=1, answered_s=1.0)})
    assert found == Explained({}, {}, frozenset({"creek", "woolshed"}))


def test_what_is_held_is_held_no_longer_than_its_time_and_that_of_what_stands_before_it(topology: Topology) -> None:
    before = explain(topology, watches(topology, "creek", "woolshed"))
    seen = {**watches(topology, "woolshed"), "creek": Watch(answered_s=1000.0, back_since_s=1050.0)}
    held = hold_explained(topology, seen, before, explain(topology, seen), 1000.0)
    assert held["woolshed"].held_until_s == 1050.0 + GRACE_S, "as long as creek's own loads have"
    assert (held["woolshed"].misses, held["woolshed"].kinds) == (1, 0)
    assert held["yards"] == WELL
    seen = {**seen, "creek": Watch(answered_s=1000.0, back_since_s=900.0)}
    assert hold_explained(topology, seen, before, explain(topology, seen), 1000.0)["woolshed"].held_until_s == 1120.0
    well = watches(topology)
    assert hold_explained(topology, well, before, explain(topology, well), 1000.0) == well, "who answers is not held"


def test_while_it_is_undecided_who_is_to_blame_no_reading_behind_it_is(topology: Topology) -> None:
    seen = {**watches(topology), "creek": Watch(misses=1, kinds=2)}
    shadow = overshadowed(topology, seen, explain(topology, seen))
    assert shadow == {"office/port/9": "", "office/optic/9": "", "supply/office-a": ""}
    assert overshadowed(topology, watches(topology), explain(topology, watches(topology))) == {}
