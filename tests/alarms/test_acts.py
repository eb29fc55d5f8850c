"""May a port be switched? Every guard refuses with its reason; only when none speaks against it is it allowed."""

from collections.abc import Collection
from dataclasses import replace
from typing import Any

import pytest

from monitor.alarms.acts import MOST_A_DAY, WAIT_S, Attempt, may_cycle, to_revive
from monitor.alarms.book import Alarm, Book, Condition, Key, operate, step
from monitor.alarms.cause import cause_of
from monitor.alarms.shelves import Shelf
from monitor.alarms.states import Operator, Severity
from monitor.alarms.sudden import of_load
from monitor.alarms.topology import topology_of
from monitor.daemon.demo import may_act
from monitor.plan.parts import Plan

NOW_S = 1_790_000_000.0
PORT = "yards/port/1"
HUNG = cause_of(
    {"pole_silent": False, "one_port": True, "stream_lost": True, "few_octets": True, "ping_lost": False}, {}
)


def asked(plan: Plan, pole: str = "yards", port: str = "1", **more: Any) -> str:
    given: dict[str, Any] = {"now_s": NOW_S, "attempts": (), "book": Book(), "answers": True, "with_more_behind": ()}
    return may_cycle(may_act(plan), topology_of(plan), pole, port, **{**given, **more})


def with_alarm(resource: str, kind: str, text: str = "", rounds: int = 12, signs: Collection[str] = ()) -> Book:
    book, key = Book(), Key(resource, kind)
    for i in range(rounds):
        one = Condition(key, Severity.MAJOR, text, cause=HUNG, signs=frozenset(signs))
        book, _ = step(book, [one], NOW_S - 600 + i)
    return book


def counted(plan: Plan, book: Book, rounds: int, **signs: bool | None) -> Book:
    """The book after rounds in which the port of the ramp camera showed these signs, as the daemon would step it."""
    load = next(load for load in plan.pole("yards").loads if load.port == "1")
    for i in range(rounds):
        book, _ = step(book, of_load("yards", load, signs), NOW_S - 600 + i)
    return book


def test_allowed_where_nothing_stands_against_it(tarrow: Plan) -> None:
    assert asked(tarrow) == ""


def test_off_unless_the_plan_allows_it(tarrow: Plan) -> None:
    as_shipped = may_cycle(tarrow, topology_of(tarrow), "yards", "1", NOW_S, (), Book(), True)
    assert "the plan does not allow any port" in as_shipped
    assert "may_cycle: true" in asked(tarrow, "creek", "2")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"pole": "nowhere"}, "no pole of this plan"),
        ({"port": "17"}, "feeds no load"),
        ({"answers": False}, "does not answer"),
        ({"with_more_behind": {"1"}}, "lies more than one device"),
        ({"attempts": [Attempt(NOW_S - WAIT_S + 1, PORT, "sam", "hung")]}, "wait 90 s"),
        ({"attempts": [Attempt(NOW_S - 3600 * i, PORT, "sam", "hung") for i in (1, 2)]}, "2 times within a day"),
        ({"book": with_alarm(PORT, "poe-port-fault")}, "could burn"),
        ({"book": with_alarm(PORT, "port-cut", signs=("shorts",))}, "could burn"),
        ({"book": with_alarm(PORT, "port-cut", signs=("mps_lost", "overloads"))}, "could burn"),
    ],
)
def test_every_guard_refuses_with_its_reason(tarrow: Plan, more: dict[str, Any], words: str) -> None:
    assert words in asked(tarrow, **more)


@pytest.mark.parametrize("sign", ["shorts", "overloads"])
def test_a_short_is_never_fed_in_whatever_words_it_is_told(tarrow: Plan, sign: str) -> None:
    cut = counted(tarrow, Book(), 3, **{sign: True})
    assert "could burn" in asked(tarrow, book=cut)
    for words in ("kaputt", "", "denials are counted"):
        reworded = {key: replace(alarm, text=words) for key, alarm in cut.alarms.items()}
        assert "could burn" in asked(tarrow, book=replace(cut, alarms=reworded)), words


def test_what_was_cut_for_want_of_a_signature_may_be_cycled_in_whatever_words(tarrow: Plan) -> None:
    cut = counted(tarrow, Book(), 3, mps_lost=True)
    reworded = {key: replace(alarm, text="no short, no overload") for key, alarm in cut.alarms.items()}
    assert reworded
    assert asked(tarrow, book=replace(cut, alarms=reworded)) == ""


def test_a_short_that_joins_a_standing_alarm_guards_until_that_clears(tarrow: Plan) -> None:
    """Counters say what rose within the hour: that a short is no longer counted does not make the port a safe one."""
    book = counted(tarrow, Book(), 3, mps_lost=True)
    assert asked(tarrow, book=book) == ""
    book = counted(tarrow, book, 1, mps_lost=True, shorts=True)
    assert "could burn" in asked(tarrow, book=book)
    book = counted(tarrow, book, 2, mps_lost=True, shorts=False)
    assert "could burn" in asked(tarrow, book=book)
    book = counted(tarrow, book, 9, mps_lost=False, shorts=False, overloads=False, denials=False)
    assert asked(tarrow, book=book) == ""
    assert asked(tarrow, book=counted(tarrow, book, 3, mps_lost=True)) == "", "a new alarm begins with its own signs"


def test_others_attempts_and_old_ones_do_not_count(tarrow: Plan) -> None:
    others = [Attempt(NOW_S - 1, "yards/port/2", "sam", "x"), Attempt(NOW_S - 86_401, PORT, "sam", "x")]
    assert asked(tarrow, attempts=others * MOST_A_DAY) == ""


def test_a_radio_that_carries_a_pole_is_never_switched(tarrow: Plan) -> None:
    """Ridge is reached through a radio at another pole: that port would take the whole pole away."""
    where = topology_of(tarrow).uplink["ridge"]
    pole, port = where.split("/port/")
    data = may_act(tarrow).model_dump(mode="json", by_alias=True, exclude_none=True)
    for one in data["poles"]:
        for load in one["loads"]:
            load["may_cycle"] = True
    assert "another pole" in asked(Plan.model_validate(data), pole, port)


def test_work_that_is_planned_stops_every_switching_at_the_pole(tarrow: Plan) -> None:
    shelf = Shelf("yards/port/2", "frames-broken", NOW_S - 60, NOW_S + 60, "sam", "re-termination")
    assert "somebody may be touching it" in asked(tarrow, shelves=(shelf,))


def test_what_the_plan_shelves_for_a_season_is_no_work(tarrow: Plan) -> None:
    book = with_alarm("supply/yards-solar", "never-full")
    book, _ = operate(book, Key("supply/yards-solar", "never-full"), Operator.SHELVED, "the plan", "winter", NOW_S)
    assert asked(tarrow, book=book) == ""


def test_which_cameras_are_revived(tarrow: Plan) -> None:
    plan, resource = may_act(tarrow), "yards/load/yards-ramp-camera"
    book = with_alarm(resource, "load-silent")
    assert to_revive(book, plan, NOW_S, 60, 60) == [("yards", "1")]
    assert to_revive(book, plan, NOW_S, 6000, 60) == [], "not before it has stood for a while"
    assert to_revive(book, tarrow, NOW_S, 60, 60) == [], "not where the plan does not want it"
    alarm = book.alarms[Key(resource, "load-silent")]
    assert alarm.cause is not None

    def revived(changed: Alarm) -> list[tuple[str, str]]:
        return to_revive(Book({changed.key: changed}), plan, NOW_S, 60, 60)

    assert revived(replace(alarm, cleared=True)) == []
    assert revived(replace(alarm, cause=replace(alarm.cause, name="copper-drop"))) == []
    assert revived(replace(alarm, cause=replace(alarm.cause, percent=50.0))) == []


@pytest.mark.parametrize(("ago_s", "allowed"), [(0.0, False), (89.0, False), (90.0, True)])
def test_a_device_has_ninety_seconds_to_start(tarrow: Plan, ago_s: float, allowed: bool) -> None:
    """And is switched twice within 24 hours at the most (common practice, no source)."""
    assert (not asked(tarrow, attempts=[Attempt(NOW_S - ago_s, PORT, "sam", "hung")])) is allowed


@pytest.mark.parametrize(("ago_s", "allowed"), [((3600, 86_399), False), ((3600, 86_400), True), ((3600,), True)])
def test_a_port_is_switched_twice_a_day_at_the_most(tarrow: Plan, ago_s: tuple[float, ...], allowed: bool) -> None:
    mine = [Attempt(NOW_S - one, PORT, "sam", "hung") for one in ago_s]
    assert (not asked(tarrow, attempts=mine)) is allowed


@pytest.mark.parametrize(
    ("resource", "cause", "allowed"),
    [
        (PORT, "wet-gland", False),
        (PORT, "port-short", False),
        ("yards/load/yards-ramp-camera", "lightning", False),
        (PORT, "camera-hung", True),
        ("yards/port/2", "wet-gland", True),
    ],
)
def test_what_most_probably_stands_in_water_gets_no_power(
    tarrow: Plan, resource: str, cause: str, allowed: bool
) -> None:
    book = with_alarm(resource, "frames-broken")
    ((key, alarm),) = book.alarms.items()
    assert alarm.cause is not None
    wet = replace(alarm, cause=replace(alarm.cause, name=cause))
    assert (not asked(tarrow, book=Book({key: wet}))) is allowed
    assert not asked(tarrow, book=Book({key: replace(wet, cleared=True)})), "what is over burns nothing"
    assert not asked(tarrow, book=Book({key: replace(alarm, cause=None)})), "of what is not known nothing follows"


def test_work_elsewhere_or_at_another_time_stops_nothing(tarrow: Plan) -> None:
    elsewhere = Shelf("creek", "", NOW_S - 60, NOW_S + 60, "sam", "digging")
    over = Shelf("yards", "", NOW_S - 60, NOW_S - 1, "sam", "digging")
    here = Shelf("yards", "", NOW_S - 60, NOW_S + 60, "sam", "digging")
    assert not asked(tarrow, shelves=(elsewhere, over))
    assert asked(tarrow, shelves=(elsewhere, over, here))


def test_a_camera_is_revived_from_the_second_and_the_percent_on_that_the_plan_names(tarrow: Plan) -> None:
    plan, resource = may_act(tarrow), "yards/load/yards-ramp-camera"
    alarm = with_alarm(resource, "load-silent").alarms[Key(resource, "load-silent")]
    assert alarm.cause is not None
    stood_s = NOW_S - alarm.raised_s

    def revived(changed: Alarm, after_s: float = stood_s, percent: float = 60) -> bool:
        return bool(to_revive(Book({changed.key: changed}), plan, NOW_S, after_s, percent))

    assert revived(alarm)
    assert not revived(alarm, stood_s + 0.5)
    assert revived(alarm, stood_s, alarm.cause.percent)
    assert not revived(alarm, stood_s, alarm.cause.percent + 0.5)
    assert not revived(replace(alarm, root="supply/office-a"))
    assert not revived(replace(alarm, cause=None))
    for kind in ("stream-broken", "stream-thin", "load-quiet", "service-refused"):
        assert revived(replace(alarm, key=Key(resource, kind)))
    assert not revived(replace(alarm, key=Key(resource, "clock-off")))
    for other in ("yards/load/nobody", "creek/load/creek-tank-gateway"):
        assert not revived(replace(alarm, key=Key(other, "load-silent"))), "only cameras of the plan"


def test_one_that_is_not_revived_keeps_no_other_from_it(tarrow: Plan) -> None:
    plan, first, second = may_act(tarrow), "yards/load/yards-ramp-camera", "yards/load/yards-race-camera"
    alarms = {}
    for resource in (first, second):
        alarm = with_alarm(resource, "load-silent").alarms[Key(resource, "load-silent")]
        alarms[alarm.key] = alarm
    key = Key(first, "load-silent")
    for changed in (replace(alarms[key], cleared=True), replace(alarms[key], raised_s=NOW_S)):
        assert to_revive(Book({**alarms, key: changed}), plan, NOW_S, 60, 60) == [("yards", "2")]
    assert to_revive(Book(alarms), plan, NOW_S, 60, 60) == [("yards", "1"), ("yards", "2")]
