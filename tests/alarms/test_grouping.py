"""One event, one alarm that calls: a pole behind a radio that does not answer follows from that radio.

IEC 62682 and EEMUA 191: an alarm should stand for one event that wants one act; consequences are not annunciated.
"""

from dataclasses import replace

import pytest

from monitor.alarms.book import Alarm, Book, Condition, Key, step
from monitor.alarms.cause import Cause, cause_of
from monitor.alarms.grouping import of_poles, rooted
from monitor.alarms.states import Severity
from monitor.plan.parts import Plan

RIDGE = Key("ridge", "pole-silent")
RADIO = Key("creek/load/creek-ridge-radio", "load-silent")
CAMERA = Key("creek/load/creek-gate-camera", "load-silent")


def why(place: str) -> Cause:
    return cause_of({"pole_silent": True}, {})


class Night:
    """A book, and the rounds that step it as the daemon does."""

    def __init__(self, plan: Plan) -> None:
        self.plan, self.book, self.now_s = plan, Book(), 1000.0
        self.said: list[tuple[str, str, str]] = []

    def round(self, *wrong: Key, well: tuple[Key, ...] = ()) -> None:
        """One round: what is wrong, and what is well."""
        self.now_s += 15
        found = [Condition(key, Severity.CRITICAL if key == RIDGE else Severity.MAJOR, "it is silent") for key in wrong]
        found += [Condition(key, None) for key in well]
        self.book, changes = step(self.book, rooted(found, self.book, self.plan), self.now_s)
        if changes:
            self.book, more = step(self.book, of_poles(self.plan, self.book, why), self.now_s)
            changes += more
        self.said += [(c.what, str(c.alarm.key), c.alarm.severity.value) for c in changes]


@pytest.fixture
def night(tarrow: Plan) -> Night:
    return Night(tarrow)


def test_a_pole_behind_a_dead_radio_follows_from_it_and_the_radio_is_as_severe(night: Night) -> None:
    for _ in range(4):
        night.round(RIDGE, RADIO)
    assert night.book.alarms[RIDGE].root == RADIO.resource
    radio = night.book.alarms[RADIO]
    assert (radio.severity, radio.root, radio.impacted) == (Severity.CRITICAL, "", ("ridge",))
    assert radio.text.endswith("not seen behind it: ridge")
    assert [one for one in night.said if one[0] == "severity changed"] == [], "raised once, with its full severity"
    linked = night.said.count(("linked", str(RIDGE), "critical"))
    for _ in range(3):
        night.round(RIDGE, RADIO)
    assert night.said.count(("linked", str(RIDGE), "critical")) == linked == 1, "and stays so"


def test_a_radio_that_answers_again_leaves_the_pole_to_itself(night: Night) -> None:
    for _ in range(4):
        night.round(RIDGE, RADIO)
    for _ in range(3):
        night.round(RIDGE, well=(RADIO,))
    assert night.book.alarms[RADIO].cleared
    assert night.book.alarms[RIDGE].root == ""
    assert not night.book.alarms[RIDGE].cleared


def test_a_strike_at_the_pole_before_it_is_one_critical_alarm(night: Night) -> None:
    for _ in range(5):
        night.round(RIDGE, RADIO, CAMERA)
    struck = night.book.alarms[Key("creek", "ports-struck")]
    assert (struck.severity, struck.impacted) == (Severity.CRITICAL, ("ridge",))
    calling = [key for key, alarm in night.book.alarms.items() if not alarm.root]
    assert calling == [Key("creek", "ports-struck")]


def test_another_pole_s_silence_is_not_touched(night: Night) -> None:
    for _ in range(4):
        night.round(Key("yards", "pole-silent"), RADIO)
    assert night.book.alarms[Key("yards", "pole-silent")].root == ""
    assert night.book.alarms[RADIO].severity is Severity.MAJOR


GATEWAY = Key("creek/load/creek-tank-gateway", "load-silent")
CUT = Key("creek/port/2", "port-cut")
STRUCK = Key("creek", "ports-struck")


def alarm(key: Key, raised_s: float = 1000.0, cleared: bool = False, root: str = "") -> Alarm:
    return Alarm(key, Severity.MAJOR, cleared, "", raised_s, raised_s, root=root)


def book(*alarms: Alarm) -> Book:
    return Book({one.key: one for one in alarms})


def told(plan: Plan, standing: Book) -> dict[Key, Condition]:
    return {one.key: one for one in of_poles(plan, standing, why)}


@pytest.mark.parametrize(("apart_s", "struck"), [(0.0, True), (240.0, True), (241.0, False)])
def test_loads_that_began_within_four_minutes_were_struck_together(tarrow: Plan, apart_s: float, struck: bool) -> None:
    found = told(tarrow, book(alarm(CAMERA), alarm(GATEWAY, 1000.0 + apart_s)))
    assert (STRUCK in found) is struck
    if struck:
        assert (found[STRUCK].severity, found[STRUCK].impacted) == (Severity.MAJOR, ())
        assert found[STRUCK].cause is not None
        assert {key: one.root for key, one in found.items() if key != STRUCK} == {CAMERA: "creek", GATEWAY: "creek"}


def test_of_several_blows_the_largest_is_told_in_whatever_order_they_are_kept(tarrow: Plan) -> None:
    radio = alarm(RADIO, 9000.0)
    early, later = alarm(CAMERA, 1000.0), alarm(GATEWAY, 9100.0)
    for kept in ((radio, early, later), (later, radio, early), (early, later, radio)):
        found = told(tarrow, book(*kept))
        assert set(found) == {STRUCK, RADIO, GATEWAY}


@pytest.mark.parametrize(
    ("others", "struck"),
    [
        ([alarm(GATEWAY)], True),
        ([alarm(CUT)], True),
        ([alarm(GATEWAY, cleared=True)], False),
        ([alarm(GATEWAY, root="office")], False),
        ([alarm(GATEWAY, root="creek")], True),
        ([alarm(replace(GATEWAY, type="clock-off"))], False),
        ([alarm(Key("creek/port/1", "port-cut"))], False),
        ([alarm(Key("yards/load/yards-ramp-camera", "load-silent"))], False),
    ],
)
def test_two_loads_of_one_pole_make_a_blow_and_two_alarms_of_one_load_do_not(
    tarrow: Plan, others: list[Alarm], struck: bool
) -> None:
    assert (STRUCK in told(tarrow, book(alarm(CAMERA), *others))) is struck


def test_a_blow_is_over_when_fewer_than_two_loads_are_in_trouble(tarrow: Plan) -> None:
    over = told(tarrow, book(alarm(CAMERA), alarm(STRUCK)))
    assert over[STRUCK].severity is None
    assert told(tarrow, book(alarm(CAMERA), alarm(STRUCK, cleared=True))) == {}, "and is over once"


def test_the_cause_of_a_blow_is_found_anew_while_it_stands(tarrow: Plan) -> None:
    kept = why("creek")
    loads = [alarm(CAMERA), alarm(GATEWAY)]
    for cleared in (False, True):
        anew = told(tarrow, book(replace(alarm(STRUCK), cause=kept, cleared=cleared), *loads))[STRUCK].cause
        assert anew == kept
        assert anew is not kept, "what is seen meanwhile counts"


def test_a_blow_that_takes_the_radio_is_as_severe_as_the_silence_behind_it(tarrow: Plan) -> None:
    loads = [alarm(CAMERA), alarm(RADIO)]
    found = told(tarrow, book(*loads, alarm(RIDGE)))
    assert (found[STRUCK].severity, found[STRUCK].impacted) == (Severity.CRITICAL, ("ridge",))
    assert found[RIDGE].root == RADIO.resource
    found = told(tarrow, book(*loads, alarm(RIDGE, cleared=True)))
    assert (found[STRUCK].severity, found[STRUCK].impacted) == (Severity.MAJOR, ())
    assert RIDGE not in found


@pytest.mark.parametrize(
    ("kind", "follows"),
    [
        ("service-refused", True),
        ("stream-broken", True),
        ("stream-thin", True),
        ("load-quiet", True),
        ("clock-off", False),
    ],
)
def test_what_else_is_wrong_with_a_silent_load_follows_from_its_silence(tarrow: Plan, kind: str, follows: bool) -> None:
    more = replace(CAMERA, type=kind)
    found = told(tarrow, book(alarm(CAMERA), alarm(more)))
    assert (found[more].root == CAMERA.resource if more in found else False) is follows
    for standing in (
        book(alarm(CAMERA, cleared=True), alarm(more)),
        book(alarm(CAMERA), alarm(more, cleared=True)),
        book(alarm(CAMERA), alarm(more, root="creek")),
        book(alarm(more)),
    ):
        assert more not in told(tarrow, standing)


@pytest.mark.parametrize(
    ("standing", "root"),
    [
        ([alarm(CAMERA, root="creek"), alarm(STRUCK)], "creek"),
        ([alarm(CAMERA, root="creek"), alarm(STRUCK, cleared=True)], ""),
        ([alarm(CAMERA, root="creek")], ""),
        ([alarm(CAMERA), alarm(STRUCK)], ""),
        ([alarm(CAMERA, root="creek", cleared=True), alarm(STRUCK)], ""),
        ([], ""),
    ],
)
def test_a_member_keeps_its_root_as_long_as_that_stands(tarrow: Plan, standing: list[Alarm], root: str) -> None:
    (found,) = rooted([Condition(CAMERA, Severity.MAJOR, "it is silent")], book(*standing), tarrow)
    assert (found.root, found.severity) == (root, Severity.MAJOR)


def test_what_clears_or_has_a_root_of_its_own_is_left_as_it_is(tarrow: Plan) -> None:
    standing = book(alarm(CAMERA, root="creek"), alarm(STRUCK))
    for one in (Condition(CAMERA, None), Condition(CAMERA, Severity.MAJOR, root="office")):
        assert rooted([one], standing, tarrow) == [one]
    assert rooted([], standing, tarrow) == []


def test_what_follows_from_a_silence_keeps_that_root_while_it_lasts(tarrow: Plan) -> None:
    thin = replace(CAMERA, type="stream-thin")
    one = Condition(thin, Severity.MINOR, "thin")
    linked = alarm(thin, root=CAMERA.resource)
    assert rooted([one], book(linked, alarm(CAMERA)), tarrow)[0].root == CAMERA.resource
    assert rooted([one], book(linked, alarm(CAMERA, cleared=True)), tarrow)[0].root == ""
    behind = Condition(RIDGE, Severity.CRITICAL, "ridge is silent")
    linked = alarm(RIDGE, root=RADIO.resource)
    assert rooted([behind], book(linked, alarm(RADIO)), tarrow)[0].root == RADIO.resource
    assert rooted([behind], book(linked, alarm(RADIO, cleared=True)), tarrow)[0].root == ""


def test_a_radio_is_critical_only_while_it_is_silent_and_so_is_the_pole_behind_it(tarrow: Plan) -> None:
    silent = Condition(RADIO, Severity.MAJOR, "it is silent")
    (found,) = rooted([silent], book(alarm(RIDGE)), tarrow)
    assert (found.severity, found.impacted) == (Severity.CRITICAL, ("ridge",))
    for one, standing in (
        (silent, book(alarm(RIDGE, cleared=True))),
        (silent, book()),
        (replace(silent, severity=None), book(alarm(RIDGE))),
        (Condition(CAMERA, Severity.MAJOR), book(alarm(RIDGE))),
        (Condition(replace(RADIO, type="clock-off"), Severity.MINOR), book(alarm(RIDGE))),
    ):
        assert rooted([one], standing, tarrow) == [one]
