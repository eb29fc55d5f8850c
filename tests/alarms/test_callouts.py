from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.book import Book, Condition, Key, operate, step
from monitor.alarms.callouts import RESTART_S, in_hours, may_leave, messages_for, overdue
from monitor.alarms.evidence import Evidence
from monitor.alarms.messages import digest, letter, reader_of, span
from monitor.alarms.settlement import Settlement
from monitor.alarms.states import Operator, Severity
from monitor.facts.words import ENGLISH
from monitor.plan.parts import Callout, Plan
from tests.alarms.causes import caused

SYDNEY = ZoneInfo("Australia/Sydney")
SILENT = Key("creek", "pole-silent")
CONDITION = Condition(SILENT, Severity.CRITICAL, "creek is silent.", cause=caused(Evidence("pole", False, 1.1, 0.0)))


def test_a_callout_says_what_since_when_why_what_to_take_and_how_to_get_there(tarrow: Plan) -> None:
    _, changes = step(Book(), [CONDITION], 1_790_000_000.0)
    (message,) = messages_for(changes, tarrow, SYDNEY, {})
    assert message.person == "owner"
    assert message.not_before_s == 1_790_000_000.0 + tarrow.rounds.hold_s
    parts = ["creek is silent.", "Since ", "Seen: ", "Check first: ", "Take along: ", "Access: Key 4", "Caution: "]
    places = [message.body.index(part) for part in parts]
    assert places == sorted(places)
    assert len(message.subject) < 70


def test_only_who_was_told_gets_the_all_clear(tarrow: Plan) -> None:
    book, _ = step(Book(), [CONDITION], 100.0)
    _, changes = step(book, [Condition(SILENT, None, settlement=Settlement.POWER)], 400.0)
    assert list(messages_for(changes, tarrow, SYDNEY, {})) == []
    (message,) = messages_for(changes, tarrow, SYDNEY, {("owner", str(SILENT)): True})
    assert message.kind == "all clear"
    assert "after 5 min" in message.body
    assert "Settled: it was power" in message.body


def test_who_was_told_gets_the_all_clear_also_where_it_was_milder_or_explained_at_the_end(tarrow: Plan) -> None:
    """Whoever was woken by it is told that it is over: not only those who would be woken by what it was last."""
    told = {("owner", str(SILENT)): True}
    milder = Condition(SILENT, Severity.MINOR, "creek answers now and then.")
    explained = Condition(SILENT, Severity.CRITICAL, "creek is silent.", root="supply/office-a")
    for last in (milder, explained):
        book, _ = step(Book(), [CONDITION], 100.0)
        book, _ = step(book, [last], 200.0)
        _, changes = step(book, [Condition(SILENT, None)], 400.0)
        assert [m.kind for m in messages_for(changes, tarrow, SYDNEY, told)] == ["all clear"]
        assert list(messages_for(changes, tarrow, SYDNEY, {})) == []


def test_what_another_alarm_explains_calls_nobody(tarrow: Plan) -> None:
    book, _ = step(Book(), [CONDITION], 0.0)
    _, changes = step(book, [Condition(SILENT, Severity.CRITICAL, root="supply/office-a")], 1.0)
    assert [c.what for c in changes] == ["linked"]
    assert list(messages_for(changes, tarrow, SYDNEY, {})) == []


def test_a_shelved_alarm_calls_nobody(tarrow: Plan) -> None:
    book, _ = step(Book(), [CONDITION], 0.0)
    book, _ = operate(book, SILENT, Operator.SHELVED, "jo", "digging", 1.0)
    book, _ = step(book, [Condition(SILENT, None)], 2.0)
    _, changes = step(book, [CONDITION], 3.0)
    assert list(messages_for(changes, tarrow, SYDNEY, {})) == []


def test_minor_things_wait_for_the_morning_letter(tarrow: Plan) -> None:
    key = Key("creek/switch", "agent-silent")
    book = Book()
    for i in range(4):
        book, changes = step(book, [Condition(key, Severity.MINOR, "deaf")], float(i))
    assert list(messages_for(changes, tarrow, SYDNEY, {})) == []
    person = tarrow.callouts[1]
    message = letter([], book.raised(), reader_of(person, tarrow, SYDNEY), 1_790_000_000.0)
    assert "1 standing" in message.subject
    assert "creek/switch agent silent: deaf" in message.body


@pytest.mark.parametrize(
    ("hours", "at", "inside"),
    [
        ("any", "03:00", True),
        ("06:00-22:00", "06:00", True),
        ("06:00-22:00", "22:00", False),
        ("22:00-06:00", "23:30", True),
        ("22:00-06:00", "05:59", True),
        ("22:00-06:00", "06:00", False),
    ],
)
def test_hours(hours: str, at: str, inside: bool) -> None:
    assert in_hours(hours, datetime.strptime(f"2026-03-01 {at}", "%Y-%m-%d %H:%M").replace(tzinfo=SYDNEY)) is inside


def test_hours_of_a_person_are_site_time(tarrow: Plan) -> None:
    person = Callout(name="jo", to="x", severities=["critical"], hours="06:00-22:00")
    plan = tarrow.model_copy(update={"callouts": [person]})
    night = datetime(2026, 3, 1, 2, 10, tzinfo=SYDNEY).timestamp()
    _, changes = step(Book(), [CONDITION], night)
    assert list(messages_for(changes, plan, SYDNEY, {})) == []


def test_what_healed_within_the_hold_stands_in_the_letter_whatever_its_severity(tarrow: Plan) -> None:
    book, _ = step(Book(), [CONDITION], 100.0)
    _, changes = step(book, [Condition(SILENT, None, settlement=Settlement.PATH)], 120.0)
    message = letter(changes, [], reader_of(tarrow.callouts[1], tarrow, SYDNEY), 1_790_000_000.0)
    assert "0 standing, 1 came and went" in message.subject
    assert "creek silent (critical): " in message.body
    assert "20 s; it was the path" in message.body


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(29, "29 s"), (31, "1 min"), (90, "2 min"), (7140, "119 min"), (7200, "2.0 h"), (86_400, "24.0 h")],
)
def test_how_long_it_lasted_as_people_say_it(seconds: float, words: str) -> None:
    assert span(seconds) == words


def people(plan: Plan, *people: Callout) -> Plan:
    return plan.model_copy(update={"callouts": list(people)})


OWNER = Callout(name="owner", to="phone", severities=["critical"], remind_minutes=60)
NEIGHBOUR = Callout(name="neighbour", to="mail", severities=["critical"], after_minutes=15)


def test_nobody_answers_so_the_next_is_told_and_the_first_again(tarrow: Plan) -> None:
    plan, start_s = people(tarrow, OWNER, NEIGHBOUR), 1_790_000_000.0
    book, changes = step(Book(), [CONDITION], start_s)
    assert [m.person for m in messages_for(changes, plan, SYDNEY, {})] == ["owner"]
    called: dict[tuple[str, str], tuple[int, float]] = {("owner", "creek pole-silent"): (1, start_s)}
    said: list[tuple[int, str, str]] = []
    for minute in range(0, 130):
        now_s = start_s + 60 * minute
        for one in overdue(book.raised(), plan, SYDNEY, called, now_s):
            said.append((minute, one.person, one.kind))
            called[one.person, "creek pole-silent"] = (
                called.get((one.person, "creek pole-silent"), (0, 0.0))[0] + 1,
                now_s,
            )
    assert said == [(16, "neighbour", "callout"), (60, "owner", "reminder"), (120, "owner", "reminder")]


def test_the_next_person_is_told_to_the_second_after_the_hold_and_their_minutes(tarrow: Plan) -> None:
    plan = people(tarrow, NEIGHBOUR)
    book, _ = step(Book(), [CONDITION], 1000.0)
    due_s = 1000.0 + plan.rounds.hold_s + 15 * 60
    assert list(overdue(book.raised(), plan, SYDNEY, {}, due_s - 1)) == []
    assert [m.person for m in overdue(book.raised(), plan, SYDNEY, {}, due_s)] == ["neighbour"]


@pytest.mark.parametrize(
    ("evidence", "waits"),
    [
        (Evidence("pole", True, 1.1, 1.1, 1.1, siblings=True), True),
        (Evidence("pole", False, 1.1, 0.0, 1.1, siblings=True), False),
    ],
    ids=["the switch itself, its light is on", "its power"],
)
def test_a_switch_that_most_probably_restarts_is_given_the_time_for_it(
    tarrow: Plan, evidence: Evidence, waits: bool
) -> None:
    condition = Condition(SILENT, Severity.CRITICAL, "creek is silent.", cause=caused(evidence))
    book, changes = step(Book(), [condition], 1000.0)
    (message,) = messages_for(changes, tarrow, SYDNEY, {})
    assert may_leave(message, book, 1000.0 + RESTART_S - 1) is not waits
    assert may_leave(message, book, 1000.0 + RESTART_S)
    assert may_leave(replace(message, kind="all clear"), book, 1000.0), "nobody waits to hear that it is over"
    assert may_leave(replace(message, type="volts-low"), book, 1000.0)


@pytest.mark.parametrize("act", [Operator.ACK, Operator.CLOSED, Operator.SHELVED])
def test_who_has_answered_is_left_alone_and_nobody_else_is_woken(tarrow: Plan, act: Operator) -> None:
    book, _ = step(Book(), [CONDITION], 0.0)
    book, _ = operate(book, SILENT, act, "sam", "", 60.0)
    later = list(overdue(book.raised(), people(tarrow, OWNER, NEIGHBOUR), SYDNEY, {}, 86_400.0))
    assert later == []


def test_whose_hours_begin_later_is_told_then_if_it_still_stands(tarrow: Plan) -> None:
    day = OWNER.model_copy(update={"hours": "08:00-18:00", "remind_minutes": None})
    night_s = datetime(2026, 3, 1, 2, 10, tzinfo=SYDNEY).timestamp()
    book, changes = step(Book(), [CONDITION], night_s)
    plan = people(tarrow, day)
    assert list(messages_for(changes, plan, SYDNEY, {})) == []
    assert list(overdue(book.raised(), plan, SYDNEY, {}, night_s + 3600)) == []
    (message,) = overdue(book.raised(), plan, SYDNEY, {}, night_s + 6 * 3600)
    assert (message.person, message.happened_s) == ("owner", night_s)


def test_people_are_told_of_their_own_places_only(tarrow: Plan) -> None:
    mine = OWNER.model_copy(update={"places": ["yards", "office-a"]})
    _, creek = step(Book(), [CONDITION], 0.0)
    assert list(messages_for(creek, people(tarrow, mine), SYDNEY, {})) == []
    for resource, kind in (("yards/port/1", "poe-port-fault"), ("supply/office-a", "supply-lost")):
        book = Book()
        for i in range(3):
            book, changes = step(book, [Condition(Key(resource, kind), Severity.CRITICAL)], float(i))
            if changes:
                break
        assert len(list(messages_for(changes, people(tarrow, mine), SYDNEY, {}))) == 1


def test_many_messages_are_one_that_names_them_all_and_tells_the_first_whole(tarrow: Plan) -> None:
    """In whatever words their subjects are: what happened is made from the facts of each."""
    made = []
    for i, pole in enumerate(("creek", "yards", "ridge")):
        condition = Condition(Key(pole, "pole-silent"), Severity.CRITICAL, f"{pole} is silent.", cause=CONDITION.cause)
        _, changes = step(Book(), [condition], 1_790_000_000.0 + i)
        made += [replace(one, subject="etwas") for one in messages_for(changes, tarrow, SYDNEY, {})]
    subject, body = digest(made, "Tarrow: Downs", SYDNEY, ENGLISH)
    assert subject == "Tarrow: Downs: 3 messages at once", "also of a name with a colon in it"
    assert [line for line in body.splitlines() if line.startswith("- ")] == [
        "- creek silent",
        "- yards silent",
        "- ridge silent",
    ]
    assert "Take along: " in body
