"""One event, one alarm that calls: a pole behind a radio that does not answer follows from that radio.

IEC 62682 and EEMUA 191: an alarm should stand for one event that wants one act; consequences are not annunciated.
"""

import pytest

from monitor.alarms.book import Book, Condition, Key, step
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
