"""Which facts stand in which message, and when it may leave; how they are worded is the sentences' own matter."""

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.book import Alarm, Change, Key
from monitor.alarms.callouts import messages_for, overdue
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.messages import (
    DRILL,
    Message,
    about_alarm,
    digest,
    late,
    letter,
    local_time,
    proof,
    reader_of,
    span,
    title,
)
from monitor.alarms.states import Operator, Severity
from monitor.facts.words import ENGLISH
from monitor.plan.parts import Callout, Plan

SYDNEY = ZoneInfo("Australia/Sydney")
AT_S = datetime(2026, 7, 1, 5, 12, tzinfo=SYDNEY).timestamp()
OWNER = Callout(name="owner", to="phone", severities=["critical"])
FLAT = Alarm(Key("ridge/switch", "agent-silent"), Severity.MINOR, False, "the agent is deaf", AT_S - 600, AT_S - 600)
SILENT = Alarm(Key("creek", "pole-silent"), Severity.CRITICAL, False, "creek is silent.", AT_S, AT_S)


def with_people(plan: Plan, *people: Callout) -> Plan:
    return plan.model_copy(update={"callouts": list(people)})


def of(plan: Plan, what: str, alarm: Alarm = SILENT, told: bool = False, at_s: float = AT_S) -> list[str]:
    change = Change(alarm, at_s, what)  # type: ignore[arg-type]  # any of them
    already = {(person.name, f"{alarm.key.resource} {alarm.key.type}"): told for person in plan.callouts}
    return [one.kind for one in messages_for([change], plan, SYDNEY, already)]


@pytest.mark.parametrize(
    ("what", "told", "kinds"),
    [
        ("raised", False, ["callout"]),
        ("raised again", True, ["callout"]),
        ("severity changed", True, ["callout"]),
        ("un-shelved", False, ["callout"]),
        ("linked", False, []),
        ("cause found", False, []),
        ("ack", True, []),
        ("closed", True, []),
        ("shelved", True, []),
        ("cleared", False, []),
        ("cleared", True, ["all clear"]),
    ],
)
def test_what_calls_whom(tarrow: Plan, what: str, told: bool, kinds: list[str]) -> None:
    assert of(with_people(tarrow, OWNER), what, SILENT, told) == kinds


@pytest.mark.parametrize(
    "alarm",
    [
        replace(SILENT, cleared=True),
        replace(SILENT, root="supply/office-a"),
        replace(SILENT, operator=Operator.SHELVED),
        replace(SILENT, operator=Operator.CLOSED),
        replace(SILENT, severity=Severity.MAJOR),
    ],
)
def test_who_is_not_called(tarrow: Plan, alarm: Alarm) -> None:
    """What is over, explained, shelved, closed, or milder than this person wants to hear of."""
    plan = with_people(tarrow, OWNER)
    assert of(plan, "raised", alarm) == []
    assert list(overdue([alarm], plan, SYDNEY, {}, AT_S + 86_400)) == []
    assert of(plan, "raised", replace(SILENT, operator=Operator.UNSHELVED)) == ["callout"]


def test_who_gets_a_letter_or_comes_later_is_not_told_at_once(tarrow: Plan) -> None:
    for person in (OWNER.model_copy(update={"at": "06:30"}), OWNER.model_copy(update={"after_minutes": 15})):
        assert of(with_people(tarrow, person), "raised") == []
    by_letter = OWNER.model_copy(update={"at": "06:30"})
    assert list(overdue([SILENT], with_people(tarrow, by_letter), SYDNEY, {}, AT_S + 86_400)) == []
    assert of(with_people(tarrow, by_letter), "cleared", told=True) == []


def test_the_last_word_on_an_alarm_decides_whether_it_calls(tarrow: Plan) -> None:
    """Raised and explained in one step: nobody is woken for what another alarm already says."""
    explained = replace(SILENT, root="supply/office-a")
    changes = [Change(SILENT, AT_S, "raised"), Change(explained, AT_S, "linked")]
    assert list(messages_for(changes, with_people(tarrow, OWNER), SYDNEY, {})) == []


def test_a_callout_waits_for_the_hold_and_an_all_clear_for_nothing(tarrow: Plan) -> None:
    plan = with_people(tarrow, OWNER)
    told = {("owner", "creek pole-silent"): True}
    (callout,) = messages_for([Change(SILENT, AT_S, "raised")], plan, SYDNEY, told)
    (clear,) = messages_for([Change(replace(SILENT, cleared=True), AT_S + 60, "cleared")], plan, SYDNEY, told)
    assert (callout.happened_s, callout.not_before_s) == (AT_S, AT_S + plan.rounds.hold_s)
    assert (clear.happened_s, clear.not_before_s) == (AT_S + 60, AT_S + 60)
    assert (callout.person, callout.to, callout.resource, callout.type) == ("owner", "phone", "creek", "pole-silent")


@pytest.mark.parametrize(("after_s", "kinds"), [(29.0, []), (30.0, ["callout"]), (86_400.0, ["callout"])])
def test_who_was_not_told_is_told_after_the_hold(tarrow: Plan, after_s: float, kinds: list[str]) -> None:
    plan = with_people(tarrow, OWNER)
    assert [one.kind for one in overdue([SILENT], plan, SYDNEY, {}, AT_S + after_s)] == kinds


@pytest.mark.parametrize(
    ("remind", "times", "ago_s", "kinds"),
    [(10, 1, 600, ["reminder"]), (10, 1, 599, []), (10, 3, 600, ["reminder"]), (None, 1, 1e6, [])],
)
def test_who_was_told_is_reminded_as_often_as_they_want(
    tarrow: Plan, remind: int | None, times: int, ago_s: float, kinds: list[str]
) -> None:
    plan = with_people(tarrow, OWNER.model_copy(update={"remind_minutes": remind}))
    called = {("owner", "creek pole-silent"): (times, AT_S)}
    assert [one.kind for one in overdue([SILENT], plan, SYDNEY, called, AT_S + ago_s)] == kinds


def test_one_that_calls_nobody_keeps_no_other_from_being_told_of(tarrow: Plan) -> None:
    acknowledged = replace(SILENT, key=Key("yards", "pole-silent"), operator=Operator.ACK)
    letter_first = [OWNER.model_copy(update={"name": "clerk", "at": "06:30"}), OWNER]
    found = list(overdue([acknowledged, SILENT], with_people(tarrow, *letter_first), SYDNEY, {}, AT_S + 60))
    assert [(one.person, one.resource) for one in found] == [("owner", "creek")]


def test_a_callout_says_where_the_pole_is_and_how_to_get_there_as_far_as_the_plan_knows(tarrow: Plan) -> None:
    creek = tarrow.pole("creek")
    change = Change(SILENT, AT_S, "raised")
    for update, there in (
        ({}, (True, True)),
        ({"place": None}, (False, True)),
        ({"access": None}, (True, False)),
    ):
        plan = tarrow.model_copy(update={"poles": [creek.model_copy(update=update), *tarrow.poles[1:]]})
        body = about_alarm("callout", change, reader_of(OWNER, plan, SYDNEY), AT_S).body
        assert (str(creek.place) in body, str(creek.access) in body) == there
    at_the_office = replace(SILENT, key=Key("office", "head-end-silent"))
    body = about_alarm("callout", Change(at_the_office, AT_S, "raised"), reader_of(OWNER, tarrow, SYDNEY), AT_S).body
    assert not any(str(pole.access) in body for pole in tarrow.poles)


def test_an_alarm_without_a_cause_says_what_its_kind_means_and_what_to_do(tarrow: Plan) -> None:
    kind = INVENTORY["agent-silent"]
    for text, first in (("the agent is deaf", "the agent is deaf"), ("", kind.meaning)):
        alarm = replace(FLAT, text=text)
        body = about_alarm("callout", Change(alarm, AT_S, "raised"), reader_of(OWNER, tarrow, SYDNEY), AT_S).body
        assert body.splitlines()[0] == first
        assert kind.to_do in body


def test_a_drill_says_that_it_is_one_to_the_end(tarrow: Plan) -> None:
    over = replace(SILENT, key=Key("creek", DRILL), cleared=True)
    real = replace(SILENT, cleared=True, settled="it was the path")
    reader = reader_of(OWNER, tarrow, SYDNEY)
    drilled = about_alarm("all clear", Change(over, AT_S + 90, "cleared"), reader, AT_S + 90)
    meant = about_alarm("all clear", Change(real, AT_S + 90, "cleared"), reader, AT_S + 90)
    assert "drill" in drilled.subject
    assert "drill" in drilled.body
    assert "drill" not in meant.subject + meant.body
    assert "it was the path" in meant.body
    assert len(drilled.body.splitlines()) == len(meant.body.splitlines()) == 2
    assert title("pole-silent") == "silent"
    assert title("head-end-silent") == "silent"


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.0, "0 s"), (30.0, "30 s"), (30.1, "1 min"), (7169.0, "119 min"), (7171.0, "2.0 h")]
)
def test_a_span_is_said_in_seconds_minutes_or_hours(seconds: float, words: str) -> None:
    assert span(seconds) == words


def test_a_letter_tells_what_stands_for_this_person_and_all_that_came_and_went(tarrow: Plan) -> None:
    person = OWNER.model_copy(update={"severities": ["minor", "critical"], "at": "06:30"})
    reader = reader_of(person, tarrow, SYDNEY)
    standing = [
        FLAT,
        replace(SILENT, key=Key("creek/port/1", "port-cut", "twice")),
        replace(FLAT, severity=Severity.WARNING, text="too mild"),
        replace(FLAT, root="creek", text="explained"),
    ]
    gone = Change(replace(SILENT, cleared=True, severity=Severity.MAJOR, settled="the path"), AT_S + 300, "cleared")
    found = letter([gone, Change(SILENT, AT_S, "raised")], standing, reader, AT_S + 900)
    assert (found.kind, found.person, found.happened_s, found.not_before_s) == (
        "letter",
        "owner",
        AT_S + 900,
        AT_S + 900,
    )
    assert "2 standing, 1 came and went" in found.subject
    for words in ("the agent is deaf", "(twice)", "5 min", "the path"):
        assert words in found.body
    for words in ("too mild", "explained"):
        assert words not in found.body
    without = letter([replace(gone, alarm=replace(gone.alarm, settled=""))], [], reader, AT_S + 900)
    assert ";" not in without.body


@pytest.mark.parametrize(
    ("update", "said"),
    [
        ({}, "at any hour"),
        ({"at": "06:30"}, "06:30"),
        ({"hours": "06:00-22:00"}, "from 06:00 to 22:00"),
        ({"places": ["yards", "creek"]}, "yards, creek"),
        ({"after_minutes": 15}, "15 min"),
    ],
)
def test_a_test_message_tells_of_what_and_when_its_reader_is_told(
    tarrow: Plan, update: dict[str, object], said: str
) -> None:
    found = proof(reader_of(OWNER.model_copy(update=update), tarrow, SYDNEY), AT_S)
    plain = proof(reader_of(OWNER, tarrow, SYDNEY), AT_S)
    assert (found.kind, found.resource, found.type) == ("test", tarrow.site.name, "test")
    assert (found.happened_s, found.not_before_s) == (AT_S, AT_S)
    assert said in found.body
    assert "critical" in found.body
    assert (said in plain.body) is (update == {})


def test_many_as_one_begin_with_the_first_and_end_with_the_last() -> None:
    many = [
        Message(
            "owner", "phone", "callout", f"p{n}", "pole-silent", f"Farm: p{n} silent", f"body {n}", AT_S + 60 * n, 0
        )
        for n in range(4)
    ]
    subject, body = digest(many, "Farm", SYDNEY, ENGLISH)
    assert subject == "Farm: 4 messages at once"
    head, *rest = body.splitlines()
    assert "05:12" in head
    assert "05:15" in head
    assert rest[:4] == [f"- p{n} silent" for n in range(4)]
    assert rest[-1] == "body 0"


def test_times_are_the_sites_with_their_offset_and_a_late_message_says_both() -> None:
    """New South Wales: UTC+10 in winter (tz database)."""
    assert "05:12" in local_time(AT_S, SYDNEY)
    assert "19:12" in local_time(AT_S, UTC)
    message = Message("owner", "phone", "callout", "creek", "pole-silent", "s", "b", AT_S, AT_S)
    said = late(message, AT_S + 3600, SYDNEY, ENGLISH)
    assert said.index("05:12") < said.index("06:12")


@pytest.mark.parametrize(
    ("own", "sites", "read"),
    [("xx", None, "xx"), (None, "xx", "xx"), ("yy", "xx", "yy"), (None, None, "en"), ("zz", None, "en")],
)
def test_a_reader_is_written_to_in_their_own_language_else_the_sites_else_english(
    tarrow: Plan, own: str | None, sites: str | None, read: str
) -> None:
    tongues = {name: replace(ENGLISH) for name in ("xx", "yy")}
    plan = tarrow.model_copy(update={"site": tarrow.site.model_copy(update={"language": sites})})
    reader = reader_of(OWNER.model_copy(update={"language": own}), plan, SYDNEY, tongues)
    assert reader.tongue is tongues.get(read, ENGLISH)
