import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from monitor.alarms.book import Book, Change, Condition, Key, operate, step, without
from monitor.alarms.cause import cause_of
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.states import Operator, Severity

LOW = Key("creek/optic/5", "light-low")
SILENT = Key("creek", "pole-silent")


def steps(book: Book, *conditions: Condition, at_s: float = 0.0) -> tuple[Book, list[Change]]:
    found: list[Change] = []
    for i, condition in enumerate(conditions):
        book, changes = step(book, [condition], at_s + i)
        found += changes
    return book, found


def test_raised_after_its_on_delay_and_cleared_after_its_off_delay() -> None:
    bad, good = Condition(LOW, Severity.MAJOR, "low"), Condition(LOW, None)
    kind = INVENTORY["light-low"]
    book, changes = steps(Book(), *[bad] * (kind.on_rounds - 1))
    assert changes == []
    book, changes = steps(book, bad, at_s=10)
    assert [c.what for c in changes] == ["raised"]
    book, changes = steps(book, *[good] * (kind.off_rounds - 1))
    assert changes == []
    book, changes = steps(book, good, at_s=50)
    assert [c.what for c in changes] == ["cleared"]
    book, changes = steps(book, *[bad] * kind.on_rounds, at_s=99)
    assert [c.what for c in changes] == ["raised again"]
    assert book.alarms[LOW].times_raised == 2


def test_one_good_round_starts_the_on_delay_again() -> None:
    bad, good = Condition(LOW, Severity.MAJOR), Condition(LOW, None)
    _, changes = steps(Book(), bad, good, bad, good, bad)
    assert changes == []


def test_not_knowing_neither_raises_nor_clears() -> None:
    book, _ = steps(Book(), *[Condition(LOW, Severity.MAJOR)] * 2)
    again, changes = step(book, [], 99.0)
    assert again is book
    assert changes == []


def test_an_alarm_that_another_explains_is_not_raised_but_linked_where_it_stands() -> None:
    explained = Condition(SILENT, Severity.CRITICAL, root="supply/office-a")
    _, changes = step(Book(), [explained], 0.0)
    assert changes == []
    book, _ = step(Book(), [Condition(SILENT, Severity.CRITICAL, "creek is silent")], 0.0)
    book, changes = step(book, [explained], 1.0)
    assert [c.what for c in changes] == ["linked"]
    assert book.alarms[SILENT].root == "supply/office-a"


def test_what_stands_is_listed_most_severe_first_then_oldest_first() -> None:
    book = Book()
    for at_s, (place, severity) in enumerate(
        [("a", Severity.MINOR), ("b", Severity.CRITICAL), ("c", Severity.WARNING), ("d", Severity.CRITICAL)]
    ):
        book, _ = step(book, [Condition(Key(place, "pole-silent"), severity)], float(at_s))
    book, _ = step(book, [Condition(Key("e", "pole-silent"), Severity.MAJOR)], 9.0)
    assert [alarm.key.resource for alarm in book.raised()] == ["b", "d", "e", "a", "c"]
    book, _ = step(book, [Condition(Key("b", "pole-silent"), None)], 10.0)
    assert [alarm.key.resource for alarm in book.raised()] == ["d", "e", "a", "c"], "what is over is not listed"


def test_a_change_of_severity_is_said_once() -> None:
    book, _ = steps(Book(), *[Condition(LOW, Severity.WARNING)] * 2)
    book, changes = steps(book, *[Condition(LOW, Severity.MAJOR)] * 3)
    assert [c.what for c in changes] == ["severity changed"]


def test_a_person_acknowledges_once_and_a_new_occurrence_asks_again() -> None:
    book, _ = step(Book(), [Condition(SILENT, Severity.CRITICAL)], 0.0)
    book, change = operate(book, SILENT, Operator.ACK, "jo", "on my way", 5.0)
    assert (change.what, change.who, change.note) == ("ack", "jo", "on my way")
    with pytest.raises(ValueError, match="ack cannot follow"):
        operate(book, SILENT, Operator.ACK, "jo", "", 6.0)
    book, _ = step(book, [Condition(SILENT, None)], 7.0)
    book, _ = step(book, [Condition(SILENT, Severity.CRITICAL)], 8.0)
    assert book.alarms[SILENT].operator is Operator.NONE


def test_an_act_on_no_alarm_is_refused() -> None:
    with pytest.raises(KeyError):
        operate(Book(), SILENT, Operator.ACK, "jo", "", 0.0)


def test_what_left_the_plan_is_cleared_with_that_reason() -> None:
    book, _ = step(Book(), [Condition(SILENT, Severity.CRITICAL)], 0.0)
    book, changes = without(book, {"ridge"}, 9.0)
    assert [(c.what, c.note) for c in changes] == [("cleared", "no longer in the plan")]


class Life(RuleBasedStateMachine):
    """Whatever conditions and acts come in whatever order, the book keeps to its tables."""

    def __init__(self) -> None:
        super().__init__()
        self.book, self.now_s, self.what = Book(), 0.0, ["cleared"]

    @rule(severity=st.sampled_from([None, *Severity]), root=st.sampled_from(["", "supply/a"]))
    def judged(self, severity: Severity | None, root: str) -> None:
        self.now_s += 1
        condition, before = Condition(LOW, severity, "text", root), self.book
        self.book, changes = step(before, [condition], self.now_s)
        if not before.minds(condition):
            assert (self.book, changes) == (before, []), "what does not matter can be left out"
        self.what += [c.what for c in changes if c.what in ("raised", "raised again", "cleared")]
        assert len(changes) <= 1

    @rule(wanted=st.sampled_from(list(Operator)))
    def acted(self, wanted: Operator) -> None:
        if LOW in self.book.alarms and wanted is not Operator.NONE:
            try:
                self.book, change = operate(self.book, LOW, wanted, "jo", "", self.now_s)
            except ValueError:
                return
            assert change.alarm.operator is wanted

    @invariant()
    def raises_and_clears_alternate(self) -> None:
        for before, after in zip(self.what, self.what[1:], strict=False):
            assert (before == "cleared") != (after == "cleared")

    @invariant()
    def the_alarm_is_as_the_last_change_said(self) -> None:
        alarm = self.book.alarms.get(LOW)
        assert (alarm is not None and not alarm.cleared) == (self.what[-1] != "cleared")


TestLife = Life.TestCase
TestLife.settings = settings(max_examples=60, stateful_step_count=40)


def test_a_chattering_alarm_stands_until_it_is_quiet() -> None:
    """ISA-18.2: an alarm that comes and goes many times is one alarm, not many; it is raised four times, then held."""
    key = Key("creek/port/1", "port-cut")
    book, raised, cleared, at_s = Book(), 0, 0, 0.0
    for turn in range(40):
        for severity in (Severity.MINOR, None, None, None, None):
            book, changes = step(book, [Condition(key, severity, "shorts are counted")], at_s)
            raised += any(c.what.startswith("raised") for c in changes)
            cleared += any(c.what == "cleared" for c in changes)
            at_s += 12.0
        if turn == 39:
            assert "it comes and goes, 4 times within the hour" in book.alarms[key].text
    assert (raised, cleared) == (4, 3)
    assert not book.alarms[key].cleared
    for _ in range(200):
        book, changes = step(book, [Condition(key, None)], at_s)
        at_s += 12.0
        if changes:
            break
    assert [c.what for c in changes] == ["cleared"]
    assert 1800 <= at_s - 39 * 60 <= 1800 + 120


def test_the_on_delay_counts_rounds_in_a_row_also_of_what_has_chattered() -> None:
    """ISA-18.2: the condition must last for the whole on-delay; that it came and went before makes it no shorter."""
    bad, good = Condition(LOW, Severity.MAJOR), Condition(LOW, None)
    book, changes = steps(Book(), *[bad, bad, good, good] * 3, bad, bad)
    assert [c.what for c in changes].count("cleared") == 3
    book, changes = steps(book, good, good, at_s=1900.0)
    assert [c.what for c in changes] == ["cleared"], "it was quiet for long enough"
    book, changes = steps(book, bad, good, bad, good, at_s=2000.0)
    assert changes == [], "no two bad rounds in a row"


def test_what_left_the_plan_and_comes_back_starts_anew() -> None:
    """It is another thing of that name: neither the old one's delay nor its hold is the new one's."""
    bad, good = Condition(LOW, Severity.MAJOR), Condition(LOW, None)
    book, _ = steps(Book(), *[bad, bad, good, good] * 3, bad, bad)
    book, changes = without(book, {"creek"}, 50.0)
    assert [c.what for c in changes] == ["cleared"]
    book, changes = steps(book, bad, bad, good, good, at_s=60.0)
    assert [c.what for c in changes] == ["raised again", "cleared"]


def test_newer_evidence_of_the_same_cause_is_shown_and_is_no_news() -> None:
    first = cause_of({"pole_silent": True, "link_down": True}, {}, ("link said up, which may be from before",))
    later = cause_of({"pole_silent": True, "link_down": True}, {}, ("link down",))
    assert (first.name, first.certainty) == (later.name, later.certainty)
    book, _ = steps(Book(), Condition(SILENT, Severity.CRITICAL, "first", cause=first))
    book, changes = steps(book, Condition(SILENT, Severity.CRITICAL, "later", cause=later), at_s=20)
    assert changes == []
    assert (book.alarms[SILENT].cause, book.alarms[SILENT].text) == (later, "later")
