"""The model of the alarm book finds what it is there for: each rule taken away in turn, and it says so.

A mutant changes one rule of the product, through its own tables and functions. One that nobody finds means that the
rule could go and every test would still pass.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

from monitor.alarms import book, callouts, shelves
from monitor.alarms.book import Book, Change, Condition
from monitor.alarms.inventory import INVENTORY, AlarmType
from monitor.alarms.messages import Message
from monitor.alarms.states import OPERATOR, Operator
from tests.properties.test_book_machine import Machine

Mutant = Callable[[pytest.MonkeyPatch], None]


def inventory(changed: Callable[[AlarmType], AlarmType]) -> Mutant:
    """All alarm types are others."""

    def change(patch: pytest.MonkeyPatch) -> None:
        for kind in list(INVENTORY.values()):
            patch.setitem(INVENTORY, kind.name, changed(kind))

    return change


def value(room: object, name: str, other: object) -> Mutant:
    return lambda patch: patch.setattr(room, name, other)


def act(now: Operator, wanted: Operator, allowed: bool) -> Mutant:
    return lambda patch: patch.setitem(OPERATOR, (now, wanted), allowed)


def given(other: Callable[[Book, Condition], Condition | None]) -> Mutant:
    """The book is given another condition than was judged, or none."""

    def change(patch: pytest.MonkeyPatch) -> None:
        true = book.step

        def step(now: Book, conditions: Iterable[Condition], now_s: float) -> tuple[Book, list[Change]]:
            return true(now, [c for one in conditions if (c := other(now, one)) is not None], now_s)

        patch.setattr(book, "step", step)

    return change


def severity_stays(now: Book, condition: Condition) -> Condition:
    alarm = now.alarms.get(condition.key)
    stands = alarm is not None and not alarm.cleared and condition.severity is not None
    return replace(condition, severity=alarm.severity) if stands and alarm is not None else condition


def linked_never_clears(now: Book, condition: Condition) -> Condition | None:
    alarm = now.alarms.get(condition.key)
    return None if alarm is not None and alarm.root and condition.severity is None else condition


def acked_never_clears(now: Book, condition: Condition) -> Condition | None:
    alarm = now.alarms.get(condition.key)
    acked = alarm is not None and alarm.operator is Operator.ACK
    return None if acked and condition.severity is None else condition


def nothing_is_explained(now: Book, condition: Condition) -> Condition:
    return replace(condition, root="")


def kept(changed: Callable[[Book, Book], Book]) -> Mutant:
    """The book after a step is made from the one before and the right one."""

    def change(patch: pytest.MonkeyPatch) -> None:
        true = book.step

        def step(now: Book, conditions: Iterable[Condition], now_s: float) -> tuple[Book, list[Change]]:
            then, changes = true(now, conditions, now_s)
            return changed(now, then), changes

        patch.setattr(book, "step", step)

    return change


def rounds_add_up(before: Book, after: Book) -> Book:
    """A round that points the other way does not begin the delay again."""
    added = {k: max(n, after.pending.get(k, 0)) for k, n in before.pending.items()}
    return replace(after, pending={**after.pending, **added})


def clearing_closes(before: Book, after: Book) -> Book:
    closed = {k: replace(a, operator=Operator.CLOSED) for k, a in after.alarms.items() if a.cleared}
    return replace(after, alarms={**after.alarms, **closed})


def told(changed: Callable[[Change], Change | None]) -> Mutant:
    """Whoever is told hears of other changes than there are."""

    def change(patch: pytest.MonkeyPatch) -> None:
        true = callouts.messages_for

        def messages_for(changes: Iterable[Change], *more: Any) -> Iterator[Message]:
            return true([c for one in changes if (c := changed(one)) is not None], *more)

        patch.setattr(callouts, "messages_for", messages_for)

    return change


def as_if_nobody_had_acted(change: Change) -> Change:
    return replace(change, alarm=replace(change.alarm, operator=Operator.NONE))


MUTANTS: Mapping[str, Mutant] = {
    "on-delay removed": inventory(lambda kind: replace(kind, on_rounds=1)),
    "off-delay removed": inventory(lambda kind: replace(kind, off_rounds=1)),
    "delays need no rounds in a row": kept(rounds_add_up),
    "chatter hold removed": value(book, "CHATTER_TIMES", 10_000),
    "chatter hold of no length": value(book, "QUIET_S", 0.0),
    "chatter hold for ten minutes": value(book, "QUIET_S", 600.0),
    "chatter hold from the third time on": value(book, "CHATTER_TIMES", 3),
    "chatter is counted within five minutes": value(book, "CHATTER_S", 300.0),
    "chatter is counted for ever": value(book, "CHATTER_S", 1e9),
    "closed, then ack": act(Operator.CLOSED, Operator.ACK, True),
    "ack, then ack": act(Operator.ACK, Operator.ACK, True),
    "ack, then none": act(Operator.ACK, Operator.NONE, True),
    "shelved, then ack": act(Operator.SHELVED, Operator.ACK, True),
    "shelved, then closed": act(Operator.SHELVED, Operator.CLOSED, True),
    "un-shelved without a shelf": act(Operator.NONE, Operator.UNSHELVED, True),
    "none, never closed": act(Operator.NONE, Operator.CLOSED, False),
    "un-shelved, never ack": act(Operator.UNSHELVED, Operator.ACK, False),
    "an answer outlives its occurrence": value(book, "on_raise_again", lambda now: now),
    "a new occurrence leaves its shelf": value(book, "on_raise_again", lambda now: Operator.NONE),
    "clearing closes": kept(clearing_closes),
    "change of severity lost": given(severity_stays),
    "a linked alarm never clears": given(linked_never_clears),
    "an acknowledged alarm never clears": given(acked_never_clears),
    "nothing is explained": given(nothing_is_explained),
    "a shelf never ends": value(shelves.Shelf, "lasts", lambda shelf, now_s: True),
    "a shelf covers all types": value(shelves.Shelf, "covers", lambda shelf, key: True),
    "shelved and closed alarms call out": value(callouts, "_calls", lambda alarm: not alarm.root),
    "explained alarms call out": value(
        callouts, "_calls", lambda alarm: alarm.operator not in (Operator.SHELVED, Operator.CLOSED)
    ),
    "what was answered calls out": told(as_if_nobody_had_acted),
    "the end of a shelf calls nobody": told(lambda change: None if change.what == "un-shelved" else change),
    "a second occurrence calls nobody": told(lambda change: None if change.what == "raised again" else change),
    "a change of severity calls nobody": told(lambda change: None if change.what == "severity changed" else change),
    "no all clear": told(lambda change: None if change.what == "cleared" else change),
    "all severities call everybody": value(callouts, "_listens", lambda person, alarm: True),
}


def found(machine: type[Machine]) -> None:
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=600,
            stateful_step_count=30,
            phases=[Phase.generate],
            derandomize=True,
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


@pytest.mark.parametrize("name", MUTANTS)
def test_the_model_finds(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    MUTANTS[name](monkeypatch)
    with pytest.raises(AssertionError, match=r"farpole says .*, the model "):
        found(Machine)
