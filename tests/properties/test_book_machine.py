"""The alarm book, its shelves and its callouts beside a model of their own, whatever conditions and people do.

The model is ``alarm_model.py``; that it finds what it is there for is shown by ``test_book_mutants.py``.
"""

import itertools
from collections.abc import Sequence
from datetime import UTC

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from monitor.alarms import book, callouts, shelves, states
from monitor.alarms.book import Book, Change, Condition, Key
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.shelves import Shelf
from monitor.alarms.states import Operator, Severity
from monitor.daemon.files import load_plan, shipped
from monitor.plan.parts import Callout
from tests.properties.alarm_model import ON_OFF_ROUNDS, Modelled, Person, may_become

PLACES = {
    "pole-silent": "creek",
    "light-low": "creek/optic/5",
    "load-silent": "creek/load/creek-gate-camera",
    "port-cut": "creek/port/1",
}
KEYS = [Key(PLACES[kind], kind) for kind in ON_OFF_ROUNDS]
PEOPLE = [
    Callout(name="owner", to="phone", severities=["critical", "major"], remind_minutes=60),
    Callout(name="neighbour", to="mail", severities=["critical"], after_minutes=15),
    Callout(name="reader", to="mail", severities=["critical", "major", "minor", "warning"], at="06:00"),
]
PLAN = load_plan(shipped() / "tarrow-downs.yaml")[0].model_copy(update={"callouts": PEOPLE})
GAPS_S = st.sampled_from([1.0, 15.0, 60.0, 700.0, 1800.0, 3600.0])
SEVERITIES = st.sampled_from([None, None, *Severity])
ROOTS = st.sampled_from(["", "", "supply/office-a"])
WHICH = st.integers(0, 2)
"""Which of the alarms that one run is about: few of them, so that much happens to each."""


def same(product: object, model: object, what: str) -> None:
    assert product == model, f"{what}: farpole says {product}, the model {model}"


class Machine(RuleBasedStateMachine):
    """Whatever the book tells, and whoever is called, is what the model says; nothing more and nothing less."""

    def __init__(self) -> None:
        super().__init__()
        self.book, self.now_s, self.shelves = Book(), 1000.0, list[Shelf]()
        self.model = {key: Modelled(*ON_OFF_ROUNDS[key.type]) for key in KEYS}
        self.people = [
            Person("owner", ("critical", "major"), remind_s=3600.0),
            Person("neighbour", ("critical",), after_s=900.0),
        ]
        self.told = dict[tuple[str, str], bool]()
        self.called = dict[tuple[str, str], tuple[int, float]]()

    @initialize(keys=st.lists(st.sampled_from(KEYS), min_size=1, max_size=3, unique=True))
    def about(self, keys: list[Key]) -> None:
        self.keys = keys

    def _key(self, which: int) -> Key:
        return self.keys[which % len(self.keys)]

    # ---- what happens

    @rule(which=WHICH, severity=SEVERITIES, root=ROOTS, rounds=st.integers(1, 4), later_s=GAPS_S)
    def judged(self, which: int, severity: Severity | None, root: str, rounds: int, later_s: float) -> None:
        for _ in range(rounds):
            self._judge(self._key(which), severity, root, later_s)

    @rule(which=WHICH, severity=st.sampled_from(list(Severity)), times=st.integers(1, 5), later_s=GAPS_S)
    def comes_and_goes(self, which: int, severity: Severity, times: int, later_s: float) -> None:
        on, off = ON_OFF_ROUNDS[self._key(which).type]
        for one in [*[severity] * on, *[None] * off] * times:
            self._judge(self._key(which), one, "", min(later_s, 60.0))

    @rule(which=WHICH, wanted=st.sampled_from(list(Operator)))
    def acts(self, which: int, wanted: Operator) -> None:
        key = self._key(which)
        if key not in self.book.alarms:
            return
        allowed = self.model[key].operated(wanted.value)
        try:
            self.book, change = book.operate(self.book, key, wanted, "sam", "", self.now_s)
        except ValueError:
            same(False, allowed, f"{key}: {wanted.value}")
            return
        same(True, allowed, f"{key}: {wanted.value}")
        self._tell([change], [(key, wanted.value)])

    @rule(which=WHICH, lasts_s=st.sampled_from([30.0, 900.0, 7200.0]))
    def shelved(self, which: int, lasts_s: float) -> None:
        key = self._key(which)
        self.shelves.append(Shelf(key.resource, key.type, self.now_s, self.now_s + lasts_s, "sam", ""))
        self._on_shelves()

    @rule(later_s=GAPS_S)
    def time_passes(self, later_s: float) -> None:
        self.now_s += later_s
        self._on_shelves()
        standing = self.book.raised()
        found = callouts.overdue(standing, PLAN, UTC, self.called, self.now_s)
        sent = [(m.person, m.kind, callouts.about(Key(m.resource, m.type))) for m in found]
        expected = [
            (person.name, kind, callouts.about(alarm.key))
            for alarm, person in itertools.product(standing, self.people)
            if (kind := person.time(callouts.about(alarm.key), self.model[alarm.key], PLAN.rounds.hold_s, self.now_s))
        ]
        same(sorted(sent), sorted(expected), "told by time alone")
        self._sent(sent)

    @rule()
    def leaves_the_plan(self) -> None:
        expected = [(key, what) for key, one in self.model.items() if (what := one.left_the_plan())]
        self.book, changes = book.without(self.book, ["ridge"], self.now_s)
        self._tell(changes, expected)

    # ---- how it is compared

    def _judge(self, key: Key, severity: Severity | None, root: str, later_s: float) -> None:
        self.now_s += later_s
        what = self.model[key].judged(severity.value if severity else "", root, self.now_s)
        self.book, changes = book.step(self.book, [Condition(key, severity, "text", root)], self.now_s)
        self._tell(changes, [(key, what)] if what else [])
        self._on_shelves()

    def _on_shelves(self) -> None:
        expected = []
        for key, one in self.model.items():
            there = any(s.type == key.type and s.from_s <= self.now_s < s.until_s for s in self.shelves)
            if what := one.shelf(there):
                expected.append((key, what))
        self.book, changes = shelves.shelve(self.book, self.shelves, self.now_s)
        self._tell(changes, expected)

    def _tell(self, changes: Sequence[Change], expected: Sequence[tuple[Key, str]]) -> None:
        same(sorted((c.alarm.key, c.what) for c in changes), sorted(expected), "what has changed")
        same({c.at_s for c in changes} <= {self.now_s}, True, "it changed now")
        found = list(callouts.messages_for(changes, PLAN, UTC, self.told))
        sent = [(m.person, m.kind, callouts.about(Key(m.resource, m.type))) for m in found]
        news = [
            (person.name, kind, callouts.about(key))
            for (key, what), person in itertools.product(expected, self.people)
            if (kind := person.news(callouts.about(key), what, self.model[key], self.now_s))
        ]
        same(sorted(sent), sorted(news), "told at once")
        for one in found:
            wait_s = PLAN.rounds.hold_s if one.kind == "callout" else 0.0
            same(one.not_before_s, self.now_s + wait_s, "when it may leave")
        for change in changes:
            if change.what == "cleared":
                about = callouts.about(change.alarm.key)
                self.called = {who: n for who, n in self.called.items() if who[1] != about}
        self._sent(sent)

    def _sent(self, sent: Sequence[tuple[str, str, str]]) -> None:
        for person, kind, about in sent:
            self.told[person, about] = kind != "all clear"
            if kind != "all clear":
                times, _ = self.called.get((person, about), (0, 0.0))
                self.called[person, about] = (times + 1, self.now_s)

    @invariant()
    def the_book_is_as_the_model(self) -> None:
        known = {key for key, one in self.model.items() if one.times}
        same(set(self.book.alarms), known, "the alarms that there are")
        for key, alarm in self.book.alarms.items():
            one = self.model[key]
            product = (not alarm.cleared, alarm.severity.value, alarm.operator.value, alarm.root, alarm.times_raised)
            model = (one.standing, one.severity, one.operator, one.root, one.times)
            same(product, model, str(key))
            same(alarm.raised_s, (one.raised_s or [alarm.raised_s])[-1], f"{key}: when")


TestMachine = Machine.TestCase
TestMachine.settings = settings(max_examples=100, stateful_step_count=40, deadline=None)


def test_the_model_and_the_inventory_have_the_same_delays() -> None:
    """A delay is a promise (the table of alarm types): to change one it is changed in both places."""
    found = {name: (INVENTORY[name].on_rounds, INVENTORY[name].off_rounds) for name in ON_OFF_ROUNDS}
    assert found == ON_OFF_ROUNDS


@pytest.mark.parametrize(("now", "wanted"), list(itertools.product(Operator, Operator)))
def test_each_act_is_allowed_where_its_meaning_allows_it(now: Operator, wanted: Operator) -> None:
    assert states.may_follow(now, wanted) is may_become(now.value, wanted.value)
