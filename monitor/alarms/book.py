"""The alarm book: which alarms there are, stepped by the conditions that each judgement found."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from monitor.alarms.cause import Cause
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.settlement import SAID, Settlement
from monitor.alarms.states import SEVERITY_ORDER, Event, Life, Operator, Severity, after, may_follow, on_raise_again
from monitor.facts import resources
from monitor.facts.words import listed, say


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """What makes two alarms the same: resource, alarm type and qualifier (RFC 8632 section 3.2)."""

    resource: str
    type: str
    qualifier: str = ""

    def __str__(self) -> str:
        return f"{self.resource} {self.type}" + (f" {self.qualifier}" if self.qualifier else "")


@dataclass(frozen=True, slots=True)
class Condition:
    """What one judgement says of one key: a severity, or None where all is well.

    A key about which nothing is known stands in no condition: not knowing neither raises nor clears.
    ``root`` names the resource whose alarm explains this one; it is then linked and never raised for itself.
    ``signs`` are the signs (names of ``signs.SIGNS``) by which it is so: what is decided goes by them, ``text`` is for
    people alone.
    """

    key: Key
    severity: Severity | None
    text: str = ""
    root: str = ""
    impacted: tuple[str, ...] = ()
    cause: Cause | None = None
    settlement: Settlement = Settlement.UNTOLD
    signs: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm, from its first raise on; times are UTC seconds.

    ``signs`` are all that it has shown since it was raised. ``settled`` is the line of ``settlement`` for people; of
    alarms that an early farpole kept, what it wrote.
    """

    key: Key
    severity: Severity
    cleared: bool
    text: str
    raised_s: float
    changed_s: float
    operator: Operator = Operator.NONE
    root: str = ""
    impacted: tuple[str, ...] = ()
    cause: Cause | None = None
    settled: str = ""
    times_raised: int = 1
    settlement: Settlement = Settlement.UNTOLD
    signs: frozenset[str] = frozenset()

    @property
    def life(self) -> Life:
        """Where it is on the device's side."""
        return Life.CLEARED if self.cleared else Life.RAISED


What = Literal[
    "raised",
    "raised again",
    "severity changed",
    "linked",
    "cause found",
    "signs changed",
    "cleared",
    "ack",
    "closed",
    "shelved",
    "un-shelved",
]


@dataclass(frozen=True, slots=True)
class Change:
    """Something that happened to an alarm, for history and for people; ``alarm`` is as it is afterwards."""

    alarm: Alarm
    at_s: float
    what: What
    who: str = ""
    note: str = ""


def concerns(alarm: Alarm, place: str) -> bool:
    """Is an alarm of a place, of something there, or one that hides it?"""
    return place in (alarm.key.resource, resources.place_of(alarm.key.resource), *alarm.impacted)


def rank(alarm: Alarm) -> tuple[int, bool, float, Key]:
    """The one order of alarms, for page, terminal, API and callouts: the worst first, of equals what stands for itself
    before what follows from another, then the oldest; the key decides where even that is the same."""
    return -SEVERITY_ORDER.index(alarm.severity), bool(alarm.root), alarm.raised_s, alarm.key


@dataclass(frozen=True, slots=True)
class Book:
    """All alarms, and how many rounds each key has pointed away from its present state."""

    alarms: Mapping[Key, Alarm] = field(default_factory=dict)
    pending: Mapping[Key, int] = field(default_factory=dict)
    raised_s: Mapping[Key, tuple[float, ...]] = field(default_factory=dict)
    """When each key was raised within the last hour."""
    bad_s: Mapping[Key, float] = field(default_factory=dict)
    """When a chattering key was last seen to be bad."""

    def minds(self, condition: Condition) -> bool:
        """Does a condition matter? That all is well does only where an alarm of that key stands or is pending."""
        return _minds(condition, self.alarms, self.pending)

    def raised(self) -> list[Alarm]:
        """Alarms that stand now, in the one order in which people are told of them."""
        return sorted((a for a in self.alarms.values() if not a.cleared), key=rank)


def _minds(condition: Condition, alarms: Mapping[Key, Alarm], pending: Mapping[Key, int]) -> bool:
    alarm = alarms.get(condition.key)
    stands = alarm is not None and not alarm.cleared
    return condition.severity is not None or condition.key in pending or stands


CHATTER_TIMES, CHATTER_S, QUIET_S = 4, 3600.0, 1800.0
"""An alarm that is raised so often within the hour is a chattering one (ISA-18.2): it then stands until its cause has
been away for half an hour on end. The figures are common practice, no source: defaults to be tested."""


def step(book: Book, conditions: Iterable[Condition], now_s: float) -> tuple[Book, list[Change]]:
    """Take the conditions of one judgement at ``now_s``; the new book and what has changed."""
    alarms, pending, raises, bad = book.alarms, book.pending, book.raised_s, book.bad_s
    changes: list[Change] = []
    for condition in conditions:
        if not _minds(condition, alarms, pending):
            continue
        key, alarm = condition.key, alarms.get(condition.key)
        recent = tuple(at_s for at_s in raises.get(key, ()) if now_s - at_s < CHATTER_S)
        if condition.severity is not None and (key in bad or len(recent) >= CHATTER_TIMES):
            bad = {**bad, key: now_s}
        if condition.severity is None and key in bad:
            if alarm is not None and not alarm.cleared and now_s - bad[key] < QUIET_S:
                continue
            bad = {k: at_s for k, at_s in bad.items() if k != key}
        change, waits = _one(alarm, condition, pending.get(key, 0), now_s)
        if waits != pending.get(key, 0):
            pending = {**pending, key: waits} if waits else {k: n for k, n in pending.items() if k != key}
        if change and change.what in ("raised", "raised again"):
            recent = (*recent, now_s)
            raises = {**{k: times for k, times in raises.items() if now_s - times[-1] < CHATTER_S}, key: recent}
            change = _chattering(change, len(recent))
            bad = {**bad, key: now_s} if len(recent) >= CHATTER_TIMES else bad
        if change:
            alarms = {**alarms, key: change.alarm}
            changes.append(change)
        elif alarm is not None and _fresher(alarm, condition):
            text = condition.text if condition.text and key not in bad else alarm.text
            alarms = {**alarms, key: replace(alarm, cause=condition.cause, text=text)}
    if not changes and pending is book.pending and bad is book.bad_s and alarms is book.alarms:
        return book, []
    return Book(alarms, pending, raises, bad), changes


def _fresher(alarm: Alarm, condition: Condition) -> bool:
    """Does a condition know the cause of a standing alarm with newer evidence? That is shown, and is no news."""
    stands = not alarm.cleared and condition.severity is not None
    return stands and condition.cause is not None and condition.cause != alarm.cause


def _chattering(change: Change, times: int) -> Change:
    """The change with a word on how often it came, once that is news by itself."""
    if times < CHATTER_TIMES:
        return change
    pattern = "it comes and goes, {times} times within the hour: it stands until it is quiet for {minutes:.0f} min"
    words = say(pattern, times=times, minutes=QUIET_S / 60)
    text = listed([change.alarm.text, words]) if change.alarm.text else words
    return replace(change, alarm=replace(change.alarm, text=text))


def _one(alarm: Alarm | None, condition: Condition, waited: int, now_s: float) -> tuple[Change | None, int]:
    """What one condition does to one alarm, and how many rounds it has waited so far."""
    kind = INVENTORY[condition.key.type]
    standing = alarm is not None and not alarm.cleared
    if condition.severity is None:
        if not standing or alarm is None:
            return None, 0
        if waited + 1 < kind.off_rounds:
            return None, waited + 1
        return _clear(alarm, condition, now_s), 0
    if standing and alarm is not None:
        return _still(alarm, condition, now_s), 0
    if condition.root:
        return None, 0
    if waited + 1 < kind.on_rounds:
        return None, waited + 1
    return _raise(alarm, condition, condition.severity, now_s), 0


def _raise(alarm: Alarm | None, condition: Condition, severity: Severity, now_s: float) -> Change | None:
    life = alarm.life if alarm else Life.NEVER
    if after(life, Event.RAISE) is None:
        return None
    new = Alarm(
        condition.key,
        severity,
        False,
        condition.text,
        now_s,
        now_s,
        on_raise_again(alarm.operator) if alarm else Operator.NONE,
        "",
        condition.impacted,
        condition.cause,
        times_raised=alarm.times_raised + 1 if alarm else 1,
        signs=condition.signs,
    )
    return Change(new, now_s, "raised again" if alarm else "raised")


def _still(alarm: Alarm, condition: Condition, now_s: float) -> Change | None:
    """An alarm that stands, judged again: its severity, root, cause, signs or who is impacted may change.

    Signs only gather: a short that is no longer counted has not gone as long as its alarm stands.
    """
    severity = condition.severity or alarm.severity
    cause = condition.cause or alarm.cause
    new = replace(
        alarm,
        severity=severity,
        text=condition.text or alarm.text,
        root=condition.root,
        impacted=condition.impacted or alarm.impacted,
        cause=cause,
        signs=alarm.signs | condition.signs,
    )
    if severity is not alarm.severity:
        return Change(replace(new, changed_s=now_s), now_s, "severity changed")
    if new.root != alarm.root:
        return Change(replace(new, changed_s=now_s), now_s, "linked")
    if _gist(cause) != _gist(alarm.cause) or new.impacted != alarm.impacted:
        return Change(new, now_s, "cause found")
    return Change(new, now_s, "signs changed") if new.signs != alarm.signs else None


def _gist(cause: Cause | None) -> tuple[str, ...]:
    """What of a cause is news when it changes; its figures and lines differ a little in every round."""
    return () if cause is None else (cause.name, cause.certainty)


def _clear(alarm: Alarm, condition: Condition, now_s: float) -> Change:
    text, cause = condition.text or alarm.text, condition.cause or alarm.cause
    return _cleared(replace(alarm, text=text, cause=cause), condition.settlement, now_s)


def _cleared(alarm: Alarm, settlement: Settlement, now_s: float) -> Change:
    settled = SAID[settlement]
    new = replace(alarm, cleared=True, changed_s=now_s, settlement=settlement, settled=settled)
    return Change(new, now_s, "cleared", note=settled)


def operate(book: Book, key: Key, wanted: Operator, who: str, note: str, now_s: float) -> tuple[Book, Change]:
    """A person's act on an alarm. KeyError where there is none; ValueError where the table forbids it."""
    alarm = book.alarms[key]
    if not may_follow(alarm.operator, wanted):
        raise ValueError(f"{key} is {alarm.operator.value}; {wanted.value} cannot follow that")
    new = replace(alarm, operator=wanted)
    what: What = wanted.value  # type: ignore[assignment]  # every operator state but none is a What
    return replace(book, alarms={**book.alarms, key: new}), Change(new, now_s, what, who, note)


def without(book: Book, keep: Iterable[str], now_s: float) -> tuple[Book, list[Change]]:
    """Clear what stands for resources that the plan no longer has."""
    known = set(keep)
    gone = [a for a in book.alarms.values() if not a.cleared and a.key.resource not in known]
    changes = [_cleared(alarm, Settlement.NOT_IN_PLAN, now_s) for alarm in gone]
    alarms = {**book.alarms, **{c.alarm.key: c.alarm for c in changes}}
    pending = {k: n for k, n in book.pending.items() if k.resource in known}
    raised_s = {k: times for k, times in book.raised_s.items() if k.resource in known}
    bad_s = {k: at_s for k, at_s in book.bad_s.items() if k.resource in known}
    return Book(alarms, pending, raised_s, bad_s), changes
