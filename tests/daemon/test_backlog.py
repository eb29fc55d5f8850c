"""What waits in memory is bounded, and of alarms the state that they have now is never dropped."""

from typing import Literal

import pytest

from monitor.alarms.book import Book, Change, Condition, Key, step
from monitor.alarms.messages import Message
from monitor.alarms.states import Severity
from monitor.daemon import backlog
from monitor.daemon.backlog import Backlog
from monitor.facts.readings import Layout, Round, Slot, State

LAYOUT = Layout("creek/switch", "measure", (Slot("creek/switch", "input_volts"),))


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backlog, "MOST_RECORDS", 10)
    monkeypatch.setattr(backlog, "MOST_ROUNDS", 10)


def message(kind: Literal["callout", "all clear"], pole: str, at_s: float) -> Message:
    return Message("jo", "jo-phone", kind, pole, "pole-silent", "subject", f"body {at_s}", at_s, at_s)


def restless(pole: str, times: int) -> list[list[Change]]:
    """Changes of a pole that comes and goes."""
    book, found = Book(), []
    for i in range(times):
        severity = Severity.CRITICAL if i % 2 == 0 else None
        book, changes = step(book, [Condition(Key(pole, "pole-silent"), severity, "silent")], 100.0 + i)
        found.append(changes)
    return found


def test_the_oldest_rounds_and_notes_go_first_and_are_counted() -> None:
    waits = Backlog()
    waits.rounds += [Round.blank(LAYOUT, float(i), State.SILENT) for i in range(25)]
    waits.owed += [lambda store: None] * 12
    waits.bound()
    assert [one.at_s for one in waits.rounds] == [float(i) for i in range(15, 25)]
    assert (len(waits.owed), waits.dropped) == (10, 17)


def test_of_an_alarm_that_comes_and_goes_the_newest_change_stays() -> None:
    waits = Backlog()
    whole = [restless("creek", 8), restless("yards", 7)]
    waits.records += [(changes, []) for some in whole for changes in some]
    waits.bound()
    last = [[changes for changes in some if changes][-1] for some in whole]
    assert [changes for changes, _ in waits.records] == last
    assert waits.dropped == 13


def test_messages_that_have_not_left_stay_and_of_those_that_have_the_newest() -> None:
    waits = Backlog()
    sent = [message("callout", "creek", float(i)) for i in range(12)]
    waits.sent_s = dict.fromkeys(sent, 50.0)
    waits.records += [([], [one]) for one in sent]
    waits.records += [([], [message("all clear", "yards", 60.0)])]
    waits.bound()
    assert [one.body for _, messages in waits.records for one in messages] == ["body 11.0", "body 60.0"]
    assert list(waits.sent_s) == [sent[-1]], "that it has gone is still known"


def test_what_is_not_too_much_is_left_alone() -> None:
    waits = Backlog()
    waits.records += [(changes, []) for changes in restless("creek", 10)]
    waits.bound()
    assert (len(waits.records), waits.dropped) == (10, 0)
