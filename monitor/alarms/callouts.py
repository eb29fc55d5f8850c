"""Who is told what, and when: changes of the book → messages for people, nothing sent here."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, tzinfo

from monitor.alarms.book import Alarm, Book, Change, Key, rank
from monitor.alarms.messages import NO_OTHERS, Linking, Message, about_alarm, no_link, reader_of
from monitor.alarms.states import Operator
from monitor.facts import resources
from monitor.facts.words import Tongue
from monitor.plan.parts import Callout, Plan

Called = tuple[int, float]
"""How often a person was told of an alarm that stands, and when last (UTC seconds)."""


def about(key: Key) -> str:
    """What messages of one alarm are remembered under: people are not told of qualifiers one by one."""
    return f"{key.resource} {key.type}"


def messages_for(
    changes: Sequence[Change],
    plan: Plan,
    zone: tzinfo,
    told: Mapping[tuple[str, str], bool],
    tongues: Mapping[str, Tongue] = NO_OTHERS,
    link: Linking = no_link,
) -> Iterator[Message]:
    """Messages that these changes call for at once. ``told`` says to whom an alarm's callout has already gone.

    People with ``at`` get the morning letter and no callouts; those with ``after_minutes`` are told by ``overdue``. An
    alarm that is explained by another, shelved or closed calls nobody; one whose shelf has ended calls as if new. The
    all clear goes to whoever was told, however mild the alarm was in the end.
    """
    last = {change.alarm.key: change.alarm for change in changes}
    for change in sorted(changes, key=lambda change: (change.at_s, rank(change.alarm))):
        calls = change.what in _CALLING and not change.alarm.cleared and _calls(last[change.alarm.key])
        for person in plan.callouts:
            if person.at is not None or not _in_hours(person, change.at_s, zone):
                continue
            reader = reader_of(person, plan, zone, tongues, link)
            if calls and not person.after_minutes and _listens(person, change.alarm):
                yield about_alarm("callout", change, reader, change.at_s + plan.rounds.hold_s)
            elif change.what == "cleared" and told.get((person.name, about(change.alarm.key))):
                yield about_alarm("all clear", change, reader, change.at_s)


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
    standing: Sequence[Alarm],
    plan: Plan,
    zone: tzinfo,
    called: Mapping[tuple[str, str], Called],
    now_s: float,
    tongues: Mapping[str, Tongue] = NO_OTHERS,
    link: Linking = no_link,
) -> Iterator[Message]:
    """Messages that time alone calls for: an alarm that nobody has acknowledged goes on to the next person, is told
    again to those who want that, and to those whose hours have only now begun."""
    for alarm in standing:
        if alarm.cleared or not _calls(alarm) or alarm.operator is Operator.ACK:
            continue
        change = Change(alarm, alarm.raised_s, "raised")
        for person in plan.callouts:
            if person.at is not None or not (_in_hours(person, now_s, zone) and _listens(person, alarm)):
                continue
            reader = reader_of(person, plan, zone, tongues, link)
            times, last_s = called.get((person.name, about(alarm.key)), (0, 0.0))
            if not times and now_s - alarm.raised_s >= plan.rounds.hold_s + person.after_minutes * 60:
                yield about_alarm("callout", change, reader, now_s)
            elif times and person.remind_minutes and now_s - last_s >= person.remind_minutes * 60:
                yield about_alarm("reminder", change, reader, now_s)


def _calls(alarm: Alarm) -> bool:
    return not alarm.root and alarm.operator not in (Operator.SHELVED, Operator.CLOSED)


def _listens(person: Callout, alarm: Alarm) -> bool:
    """Does a person want to be told of such an alarm there?"""
    place = resources.place_of(alarm.key.resource)
    here = not person.places or place in person.places or place.removeprefix("supply/") in person.places
    return here and alarm.severity.value in person.severities


def _in_hours(person: Callout, at_s: float, zone: tzinfo) -> bool:
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
