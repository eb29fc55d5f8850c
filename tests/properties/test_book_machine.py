"""The alarm book as a state machine: whatever conditions and people do, what RFC 8632 says of alarms holds.

Its clauses stand beside the checks in our own words, from memory.
"""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from monitor.alarms.book import QUIET_S, Alarm, Book, Change, Condition, Key, operate, step
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.states import LIFE, OPERATOR, Event, Life, Operator, Severity

KINDS = ("pole-silent", "light-low", "port-cut", "load-silent")
KEYS = [Key(resource, kind) for resource in ("creek", "yards/port/1") for kind in KINDS]


class Machine(RuleBasedStateMachine):
    """Every change that the book tells is checked against the two tables, from outside."""

    def __init__(self) -> None:
        super().__init__()
        self.book, self.now_s = Book(), 1000.0
        self.told: dict[Key, Alarm] = {}
        self.good: dict[Key, int] = {}

    def _take(self, changes: list[Change]) -> None:
        for change in changes:
            before, after = self.told.get(change.alarm.key), change.alarm
            self._life(before, after, change.what)
            assert change.at_s == self.now_s
            self.told[after.key] = after

    def _life(self, before: Alarm | None, after: Alarm, what: str) -> None:
        was = Life.NEVER if before is None else before.life
        if what == "raised":
            # RFC 8632 section 3.5: raised once, when the undesired state is first seen.
            assert was is Life.NEVER
            assert LIFE[was, Event.RAISE] is after.life
        elif what == "raised again":
            # Section 3.5: one alarm may be raised and cleared many times; it stays the same alarm (section 3.2).
            assert before is not None
            assert was is Life.CLEARED
            assert after.life is Life.RAISED
            assert after.times_raised == before.times_raised + 1
            assert after.operator in (Operator.NONE, Operator.SHELVED)
        elif what == "cleared":
            # Section 3.5.1: clearance is the resource's side alone; what an operator has set stays.
            assert before is not None
            assert was is Life.RAISED
            assert after.cleared
            assert after.operator is before.operator
        elif what == "severity changed":
            assert before is not None
            assert not after.cleared
            assert after.severity is not before.severity
        elif what in ("ack", "closed", "shelved", "un-shelved"):
            # Section 3.5.2: the operator's states are set by people, and never touch the clearance.
            assert before is not None
            assert OPERATOR[before.operator, after.operator]
            assert after.cleared == before.cleared

    @rule(
        key=st.sampled_from(KEYS),
        severity=st.sampled_from([None, None, Severity.WARNING, Severity.MAJOR]),
        later_s=st.sampled_from([1.0, 15.0, 60.0, 4000.0]),
    )
    def judged(self, key: Key, severity: Severity | None, later_s: float) -> None:
        self.now_s += later_s
        self.good[key] = self.good.get(key, 0) + 1 if severity is None else 0
        self.book, changes = step(self.book, [Condition(key, severity, "text")], self.now_s)
        self._take(changes)

    @rule(key=st.sampled_from(KEYS), wanted=st.sampled_from([o for o in Operator if o is not Operator.NONE]))
    def acts(self, key: Key, wanted: Operator) -> None:
        alarm = self.book.alarms.get(key)
        if alarm is None:
            return
        self.now_s += 1
        allowed = (alarm.operator, wanted) in OPERATOR
        try:
            self.book, change = operate(self.book, key, wanted, "sam", "", self.now_s)
        except ValueError:
            assert not allowed
            return
        assert allowed
        self._take([change])

    @rule(key=st.sampled_from(KEYS))
    def quiet(self, key: Key) -> None:
        """Whatever stands clears in the end, once its condition has been good for long enough."""
        for _ in range(INVENTORY[key.type].off_rounds + 1):
            self.now_s += QUIET_S + 1
            self.book, changes = step(self.book, [Condition(key, None)], self.now_s)
            self._take(changes)
        alarm = self.book.alarms.get(key)
        assert alarm is None or alarm.cleared

    @invariant()
    def what_was_told_is_what_stands(self) -> None:
        for key, alarm in self.book.alarms.items():
            told = self.told[key]
            assert (told.cleared, told.operator, told.severity) == (alarm.cleared, alarm.operator, alarm.severity)
        assert set(self.told) == set(self.book.alarms)


TestMachine = Machine.TestCase
TestMachine.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
