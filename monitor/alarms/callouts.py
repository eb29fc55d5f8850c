"""Who is told what, and when: changes of the book → messages for people, nothing sent here."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Literal

from monitor.alarms.book import Alarm, Book, Change, Key
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.states import Operator
from monitor.facts import resources
from monitor.plan.parts import Callout, Plan

Kind = Literal["callout", "reminder", "all clear", "letter", "test"]


@dataclass(frozen=True, slots=True)
class Message:
    """One message for one person. It may leave at ``not_before_s``; what clears before then is withdrawn."""

    person: str
    to: str
    kind: Kind
    resource: str
    type: str
    subject: str
    body: str
    happened_s: float
    not_before_s: float


DRILL = "drill"
"""The alarm type of a drill: each message says that it is one."""
Called = tuple[int, float]
"""How often a person was told of an alarm that stands, and when last (UTC seconds)."""


def about(key: Key) -> str:
    """What messages of one alarm are remembered under: people are not told of qualifiers one by one."""
    return f"{key.resource} {key.type}"


def messages_for(
    changes: Sequence[Change], plan: Plan, zone: tzinfo, told: Mapping[tuple[str, str], bool]
) -> Iterator[Message]:
    """Messages that these changes call for at once. ``told`` says to whom an alarm's callout has already gone.

    People with ``at`` get the morning letter and no callouts; those with ``after_minutes`` are told by ``overdue``. An
    alarm that is explained by another, shelved or closed calls nobody; one whose shelf has ended calls as if new.
    """
    last = {change.alarm.key: change.alarm for change in changes}
    for change in changes:
        if last[change.alarm.key].root:
            continue  # raised and explained in one breath
        for person in plan.callouts:
            if person.at is not None or not _listens(person, change.alarm, change.at_s, zone):
                continue
            if change.what in _CALLING and not change.alarm.cleared and _calls(last[change.alarm.key]):
                if not person.after_minutes:
                    yield _message("callout", person, change, plan, zone, change.at_s + plan.rounds.hold_s)
            elif change.what == "cleared" and told.get((person.name, about(change.alarm.key))):
                yield _message("all clear", person, change, plan, zone, change.at_s)


_CALLING = ("raised", "raised again", "severity changed", "un-shelved")


RESTART_S = 150.0
"""How long a switch may take to restart with its light on (common practice, no source): nobody is woken by that."""


def may_leave(message: Message, book: Book, now_s: float) -> bool:
    """May a callout leave now? One of a pole whose switch most probably restarts waits for that, beyond its hold."""
    if message.kind != "callout" or message.type != "pole-silent":
        return True
    alarm = book.alarms.get(Key(message.resource, message.type))
    restarts = alarm is not None and alarm.cause is not None and alarm.cause.group == "switch"
    return not restarts or now_s - message.happened_s >= RESTART_S


def overdue(
    standing: Sequence[Alarm], plan: Plan, zone: tzinfo, called: Mapping[tuple[str, str], Called], now_s: float
) -> Iterator[Message]:
    """Messages that time alone calls for: an alarm that nobody has acknowledged goes on to the next person, is told
    again to those who want that, and to those whose hours have only now begun."""
    for alarm in standing:
        if alarm.cleared or not _calls(alarm) or alarm.operator is Operator.ACK:
            continue
        change = Change(alarm, alarm.raised_s, "raised")
        for person in plan.callouts:
            if person.at is not None or not _listens(person, alarm, now_s, zone):
                continue
            times, last_s = called.get((person.name, about(alarm.key)), (0, 0.0))
            if not times and now_s - alarm.raised_s >= plan.rounds.hold_s + person.after_minutes * 60:
                yield _message("callout", person, change, plan, zone, now_s)
            elif times and person.remind_minutes and now_s - last_s >= person.remind_minutes * 60:
                yield _message("reminder", person, change, plan, zone, now_s)


def _calls(alarm: Alarm) -> bool:
    return not alarm.root and alarm.operator not in (Operator.SHELVED, Operator.CLOSED)


def _listens(person: Callout, alarm: Alarm, at_s: float, zone: tzinfo) -> bool:
    if alarm.severity.value not in person.severities:
        return False
    place = resources.place_of(alarm.key.resource)
    if person.places and place not in person.places and place.removeprefix("supply/") not in person.places:
        return False
    return in_hours(person.hours, datetime.fromtimestamp(at_s, zone))


def in_hours(hours: str, local: datetime) -> bool:
    """Is a local time within ``any`` or ``HH:MM-HH:MM`` (which may cross midnight)?

    >>> in_hours("22:00-06:00", datetime(2026, 3, 1, 2, 10)), in_hours("08:00-18:00", datetime(2026, 3, 1, 2, 10))
    (True, False)
    """
    if hours == "any":
        return True
    start, end = hours.split("-")
    now = local.strftime("%H:%M")
    return start <= now < end if start <= end else now >= start or now < end


def local_time(at_s: float, zone: tzinfo) -> str:
    """A time as people at the site read it, with its offset from UTC."""
    return datetime.fromtimestamp(at_s, zone).strftime("%a %d %b %H:%M:%S (UTC%z)")


def _message(kind: Kind, person: Callout, change: Change, plan: Plan, zone: tzinfo, not_before_s: float) -> Message:
    alarm = change.alarm
    subject = f"{plan.site.name}: {alarm.key.resource} {_title(alarm)}"
    body = _all_clear(change, zone) if kind == "all clear" else _callout(alarm, plan, zone)
    return Message(
        person.name,
        person.to,
        kind,
        alarm.key.resource,
        alarm.key.type,
        {"callout": subject, "reminder": f"{subject} – still", "all clear": f"{subject} – all clear"}[kind],
        body,
        change.at_s,
        not_before_s,
    )


def _title(alarm: Alarm) -> str:
    if alarm.key.type == DRILL:
        return "drill, nothing is wrong"
    return alarm.key.type.removeprefix("pole-").removeprefix("head-end-").replace("-", " ")


def _all_clear(change: Change, zone: tzinfo) -> str:
    alarm = change.alarm
    lines = [
        f"{alarm.key.resource}: cleared at {local_time(change.at_s, zone)}, "
        f"after {_span(change.at_s - alarm.raised_s)}."
    ]
    drill = ["It was a drill: nothing was wrong."] if alarm.key.type == DRILL else []
    return "\n".join([*lines, *drill, *([f"Settled: {alarm.settled}."] if alarm.settled else [])])


def _span(seconds: float) -> str:
    minutes = round(seconds / 60)
    if minutes < 1:
        return f"{seconds:.0f} s"
    return f"{minutes} min" if minutes < 120 else f"{minutes / 60:.1f} h"


def _callout(alarm: Alarm, plan: Plan, zone: tzinfo) -> str:
    """What, since when, why, what to check first, what to take, how to get there, cautions: in that order."""
    lines = [
        f"{alarm.text}" if alarm.text else INVENTORY[alarm.key.type].meaning,
        f"Since {local_time(alarm.raised_s, zone)}. Severity: {alarm.severity.value}.",
    ]
    cause = alarm.cause
    if cause:
        lines += [
            f"Seen: {'; '.join(cause.evidence)}.",
            f"Check first: {cause.look_first}.",
            f"Take along: {', '.join(cause.van_list)}.",
        ]
    else:
        lines.append(f"What to do: {INVENTORY[alarm.key.type].to_do}.")
    pole = next((pole for pole in plan.poles if pole.name == resources.place_of(alarm.key.resource)), None)
    if pole:
        lines += [f"{label}: {text}." for label, text in (("Place", pole.place), ("Access", pole.access)) if text]
    if cause:
        lines += [f"Caution: {line}" for line in cause.cautions]
    return "\n".join(lines)


def letter(
    changes: Sequence[Change], standing: Sequence[Alarm], person: Callout, plan: Plan, zone: tzinfo, now_s: float
) -> Message:
    """The morning letter: what stands of this person's severities, and all that came and went since the last one.

    What healed within the hold called nobody out, whatever its severity; here it is told.
    """
    wanted = [a for a in standing if a.severity.value in person.severities and not a.root]
    past = [c for c in changes if c.what == "cleared"]
    lines = [f"{plan.site.name}, {local_time(now_s, zone)}", ""]
    lines += [f"Standing: {len(wanted)}"] + [f"  {a.key}: {a.text}" for a in wanted]
    lines += ["", f"Came and went: {len(past)}"]
    lines += [
        f"  {c.alarm.key} ({c.alarm.severity.value}): {local_time(c.alarm.raised_s, zone)}, "
        + _span(c.at_s - c.alarm.raised_s)
        + (f"; {c.alarm.settled}" if c.alarm.settled else "")
        for c in past
    ]
    subject = f"{plan.site.name}: morning letter, {len(wanted)} standing, {len(past)} came and went"
    return Message(person.name, person.to, "letter", plan.site.name, "letter", subject, "\n".join(lines), now_s, now_s)


def test_message(person: Callout, plan: Plan, now_s: float) -> Message:
    """Proof that messages reach a person: what he will be told of, and that nothing is wrong now."""
    hours = "at any hour" if person.hours == "any" else f"from {person.hours.replace('-', ' to ')}"
    when = f"by letter at {person.at}" if person.at else hours
    lines = [
        f"This is a test: nothing is wrong at {plan.site.name}, and nothing is to be done.",
        f"You ({person.name}) are told of: {', '.join(person.severities)}; {when}"
        + (f"; only of {', '.join(person.places)}" if person.places else "")
        + (f"; when nobody has acknowledged for {person.after_minutes:g} min" if person.after_minutes else "")
        + ".",
    ]
    subject = f"{plan.site.name}: test message"
    return Message(person.name, person.to, "test", plan.site.name, "test", subject, "\n".join(lines), now_s, now_s)


def digest(messages: Sequence[Message], zone: tzinfo) -> tuple[str, str]:
    """Subject and body of one message in the place of many: what happened, in order, and the first of it whole."""
    first = messages[0]
    site = first.subject.partition(":")[0]
    began, ended = (local_time(one.happened_s, zone) for one in (first, messages[-1]))
    lines = [f"{len(messages)} messages from {began} to {ended}, as one:"]
    lines += [f"- {one.subject.partition(': ')[2]}" for one in messages]
    return f"{site}: {len(messages)} messages at once", "\n".join([*lines, "", "The first of them:", first.body])
