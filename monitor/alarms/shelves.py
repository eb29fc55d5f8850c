"""Planned work and seasons: what is shelved calls nobody; when its shelf ends and it still stands, it calls as if new.

RFC 8632 section 4.5: shelving "filters out alarms", and moving an alarm back is an un-shelving.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo

from monitor.alarms.book import Book, Change, Key
from monitor.alarms.states import Operator
from monitor.facts import resources
from monitor.plan.parts import Plan


@dataclass(frozen=True, slots=True)
class Shelf:
    """What is shelved: a pole, supply or single resource, one alarm type or all; from when until when (UTC seconds)."""

    resource: str
    type: str
    from_s: float
    until_s: float
    who: str
    note: str

    def covers(self, key: Key) -> bool:
        """Is an alarm on this shelf, while it lasts?"""
        here = self.resource in (key.resource, resources.place_of(key.resource))
        return here and self.type in ("", key.type)

    def lasts(self, now_s: float) -> bool:
        """Is it in force?"""
        return self.from_s <= now_s < self.until_s


def seasonal(plan: Plan, now_s: float, zone: tzinfo) -> list[Shelf]:
    """The plan's shelves that are in season today, as shelves of the day; a season may cross the year's end."""
    today = datetime.fromtimestamp(now_s, zone)
    day = today.strftime("%m-%d")
    found = []
    for one in plan.shelves:
        start, end = one.start, one.until
        within = start <= day <= end if start <= end else day >= start or day <= end
        if within:
            midnight = today.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()
            for place in one.places:
                for kind in one.types or [""]:
                    found.append(Shelf(place, kind, midnight, midnight + 86_400, "the plan", one.reason))
    return found


def shelve(book: Book, shelves: Sequence[Shelf], now_s: float) -> tuple[Book, list[Change]]:
    """Put standing alarms on the shelves that are in force, and take off those whose shelf has ended."""
    changes: list[Change] = []
    for key, alarm in book.alarms.items():
        shelf = next((one for one in shelves if one.lasts(now_s) and one.covers(key)), None)
        if shelf is not None and not alarm.cleared and alarm.operator is not Operator.SHELVED:
            changes.append(Change(replace(alarm, operator=Operator.SHELVED), now_s, "shelved", shelf.who, shelf.note))
        elif shelf is None and alarm.operator is Operator.SHELVED:
            changes.append(
                Change(
                    replace(alarm, operator=Operator.UNSHELVED), now_s, "un-shelved", "farpole", "its shelf has ended"
                )
            )
    if not changes:
        return book, []
    return replace(book, alarms={**book.alarms, **{c.alarm.key: c.alarm for c in changes}}), changes


def until_of(text: str, now_s: float, zone: tzinfo) -> float:
    """A time as people write it: ``17:00`` (today, or tomorrow where that is past), ``90m``, ``6h``, ``3d``, ISO 8601.

    Raises ValueError.

    >>> from datetime import UTC
    >>> until_of("6h", 0.0, UTC), until_of("17:00", 18 * 3600.0, UTC) / 3600
    (21600.0, 41.0)
    """
    units = {"m": 60.0, "h": 3600.0, "d": 86_400.0}
    if text[-1:] in units and text[:-1].isdecimal():
        return now_s + int(text[:-1]) * units[text[-1]]
    try:
        if len(text) == 5 and text[2] == ":":
            hour, minute = int(text[:2]), int(text[3:])
            at = datetime.fromtimestamp(now_s, zone).replace(hour=hour, minute=minute, second=0, microsecond=0)
            return (at if at.timestamp() > now_s else at + timedelta(days=1)).timestamp()
        at = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is no time; write 17:00, 90m, 6h, 3d or 2026-12-24T17:00") from None
    return (at if at.tzinfo else at.replace(tzinfo=zone)).timestamp()
