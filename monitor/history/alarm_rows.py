"""Alarms, their changes, events and the messages that they call for: what is never thinned."""

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, and_, func, insert, or_, select, update

from monitor.alarms.book import Alarm, Change
from monitor.alarms.messages import Kind, Message
from monitor.alarms.shelves import Shelf
from monitor.history import tables as t
from monitor.history.engine import Kept
from monitor.history.records import (
    BaselineSet,
    PastChange,
    Posted,
    Repair,
    Waiting,
    alarm_of,
    made_from,
    past_change,
    upsert_alarm,
    waiting_of,
    withdraw_callouts,
)


class AlarmRows(Kept):
    """The part of the store that people are told from."""

    def record(
        self, changes: Sequence[Change], messages: Iterable[Message] = (), sent_s: Mapping[Message, float] | None = None
    ) -> None:
        """Keep changes of alarms and the messages that they call for, in one transaction.

        ``sent_s`` are those that have left already, while nothing could be written, and when.
        """
        self._act(lambda connection: _record(connection, changes, list(messages), sent_s or {}))

    def note(self, at_s: float, kind: str, resource: str, words: str) -> None:
        """Keep an event that is no alarm: a start, a stop."""
        row = {"at_s": at_s, "kind": kind, "resource": resource, "text": words}
        self._act(lambda connection: connection.execute(insert(t.event).values(row)))

    def notes(self, kind: str) -> list[tuple[float, str, str]]:
        """Events of a kind, oldest first: when, of what, in which words."""
        query = select(t.event.c.at_s, t.event.c.resource, t.event.c.text).where(t.event.c.kind == kind)
        return self._look(lambda c: [(r[0], r[1], r[2]) for r in c.execute(query.order_by(t.event.c.id))])

    def repaired(self, repair: Repair) -> None:
        """Keep what somebody did at a pole."""
        self._act(lambda connection: connection.execute(insert(t.repair).values(asdict(repair))))

    def repairs(self, since_s: float = 0.0, until_s: float = math.inf) -> list[Repair]:
        """What has been done from a time until before another, oldest first."""
        r = t.repair.c
        query = select(r.at_s, r.resource, r.who, r.text).where(r.at_s >= since_s, r.at_s < until_s)
        query = query.order_by(r.at_s, r.id)
        return self._look(lambda connection: [Repair(*row) for row in connection.execute(query)])

    def baselined(self, one: BaselineSet) -> None:
        """Keep a baseline; one of the same series and begin is only made more exact, its reason stays."""
        b = t.baseline.c
        where = and_(b.resource == one.resource, b.quantity == one.quantity, b.from_s == one.from_s)
        values = {"value": one.value_in_unit, "spread": one.spread_in_unit}
        whole = {"resource": one.resource, "quantity": one.quantity, "from_s": one.from_s, **values}

        def act(connection: Connection) -> None:
            if not connection.execute(update(t.baseline).where(where).values(values)).rowcount:
                more = {"reason": one.reason, "detail": one.detail}
                connection.execute(insert(t.baseline).values({**whole, **more}))

        self._act(act)

    def baselines(self) -> list[BaselineSet]:
        """All baselines that there have been, oldest first."""
        b = t.baseline.c
        query = select(b.resource, b.quantity, b.from_s, b.value, b.spread, b.reason, b.detail).order_by(b.from_s, b.id)
        return self._look(lambda connection: [BaselineSet(*row) for row in connection.execute(query)])

    def shelve(self, shelf: Shelf) -> None:
        """Keep a shelf."""
        self._act(lambda connection: connection.execute(insert(t.shelf).values(asdict(shelf))))

    def shelves(self) -> list[Shelf]:
        """All shelves, those that have ended too, oldest first."""
        s = t.shelf.c
        query = select(s.resource, s.type, s.from_s, s.until_s, s.who, s.note).order_by(s.id)
        return self._look(lambda connection: [Shelf(*row) for row in connection.execute(query)])

    def end_shelf(self, resource: str, kind: str, now_s: float) -> int:
        """End the shelves of a resource and type (empty: those of every type) now; how many there were."""
        s = t.shelf.c
        where = [s.resource == resource, s.until_s > now_s, *([s.type == kind] if kind else [])]
        return self._act(lambda c: int(c.execute(update(t.shelf).where(*where).values(until_s=now_s)).rowcount))

    def alarms(self) -> list[Alarm]:
        """All alarms as they were last kept."""
        return self._look(lambda connection: [alarm_of(row) for row in connection.execute(select(t.alarm))])

    def changes(self, since_s: float, most: int = 500, until_s: float = math.inf) -> list[PastChange]:
        """Changes of alarms from a time until before another, oldest first; of more than ``most`` the newest."""
        c, a = t.alarm_change.c, t.alarm.c
        query = (
            select(
                *(a.resource, a.type, a.qualifier, c.at_s, c.what, c.severity, c.who, c.raised_s, c.text, c.note),
                *(c.said, c.settlement, c.impacted),
            )
            .join(t.alarm, a.id == c.alarm)
            .where(c.at_s >= since_s, c.at_s < until_s)
            .order_by(c.id.desc())
            .limit(most)
        )
        rows = self._look(lambda connection: connection.execute(query).all())
        return [past_change(r) for r in reversed(rows)]

    def told(self) -> dict[tuple[str, str], bool]:
        """(person, alarm) → whether the newest message about it was a call that has gone, or is on its way."""
        c = t.outbox.c
        going = or_(c.state == "sent", and_(c.state == "waiting", c.attempts > 0))
        query = select(c.person, c.resource, c.type, c.kind).where(going, c.kind != "letter").order_by(c.id)
        rows = self._look(lambda connection: connection.execute(query).all())
        return {(r.person, f"{r.resource} {r.type}"): r.kind in ("callout", "reminder") for r in rows}

    def called(self) -> dict[tuple[str, str], tuple[int, float]]:
        """(person, alarm) → how many callouts and reminders about it there were since it was raised, and the last."""
        o, a = t.outbox.c, t.alarm.c
        query = (
            select(o.person, o.resource, o.type, func.count(), func.max(o.not_before_s))
            .join(t.alarm, and_(a.resource == o.resource, a.type == o.type))
            .where(o.kind.in_(("callout", "reminder")), o.state != "withdrawn")
            .where(a.cleared.is_(False), o.happened_s >= a.raised_s)
            .group_by(o.person, o.resource, o.type)
        )
        rows = self._look(lambda connection: connection.execute(query).all())
        return {(r[0], f"{r[1]} {r[2]}"): (int(r[3]), float(r[4])) for r in rows}

    def due(self, now_s: float) -> list[Waiting]:
        """Messages that may leave now, in the order in which things happened.

        Where one may leave, all to the same account that failed before go with it, ahead of it: an all-clear must
        never overtake its callout.
        """
        c = t.outbox.c
        query = select(t.outbox).where(c.state == "waiting").order_by(c.id)
        rows = self._look(lambda connection: connection.execute(query).all())
        accounts = {r.to for r in rows if r.not_before_s <= now_s}
        leaving = [r for r in rows if r.to in accounts and (r.not_before_s <= now_s or r.attempts > 0)]
        return [waiting_of(r) for r in leaving]

    def posted(self, resource: str, kind: str, since_s: float) -> list[Posted]:
        """Messages of one alarm since a time, oldest first."""
        c = t.outbox.c
        query = select(c.person, c.to, c.kind, c.state, c.sent_s, c.last_error)
        query = query.where(c.resource == resource, c.type == kind, c.happened_s >= since_s).order_by(c.id)
        return self._look(lambda connection: [Posted(*row) for row in connection.execute(query)])

    def proven(self, until_s: float) -> dict[str, float]:
        """Person → when a carrier last took a message for him; what a clock that ran ahead wrote does not count."""
        c = t.outbox.c
        query = select(c.person, func.max(c.sent_s)).where(c.state == "sent", c.sent_s <= until_s).group_by(c.person)
        return self._look(lambda connection: {r[0]: float(r[1]) for r in connection.execute(query) if r[1]})

    def written(self, kind: Kind, until_s: float) -> dict[str, float]:
        """Person → when a message of a kind was last put into the outbox for them, no later than ``until_s``."""
        c = t.outbox.c
        wanted = (c.kind == kind, c.happened_s <= until_s)
        query = select(c.person, func.max(c.happened_s)).where(*wanted).group_by(c.person)
        return self._look(lambda connection: {r[0]: float(r[1]) for r in connection.execute(query)})

    def went(self, message_id: int, at_s: float) -> None:
        """A message has been taken by the carrier."""
        self._set(message_id, {"state": "sent", "sent_s": at_s, "last_error": ""})

    def failed(self, message_id: int, why: str, again_s: float) -> None:
        """A message could not be sent; it may be tried again at ``again_s``."""
        self._set(message_id, {"attempts": t.outbox.c.attempts + 1, "last_error": why, "not_before_s": again_s})

    def _set(self, message_id: int, values: dict[str, Any]) -> None:
        where = t.outbox.c.id == message_id
        self._act(lambda connection: connection.execute(update(t.outbox).where(where).values(values)))


def _record(
    connection: Connection, changes: Sequence[Change], messages: Sequence[Message], sent_s: Mapping[Message, float]
) -> None:
    for change in changes:
        alarm_id = upsert_alarm(connection, change.alarm)
        row = {
            "alarm": alarm_id,
            "at_s": change.at_s,
            "what": change.what,
            "severity": change.alarm.severity.value,
            "text": change.alarm.text,
            "who": change.who,
            "note": change.note,
            "raised_s": change.alarm.raised_s,
            "said": made_from(text=change.alarm.text, note=change.note),
            "settlement": change.alarm.settlement.value if change.what == "cleared" else "",
            "impacted": json.dumps(change.alarm.impacted),
        }
        connection.execute(insert(t.alarm_change).values(row))
        if change.what in ("cleared", "linked"):
            withdraw_callouts(connection, change.alarm.key)
    for message in messages:
        gone_s = sent_s.get(message)
        state = "waiting" if gone_s is None else "sent"
        entry: dict[str, Any] = {**asdict(message), "state": state, "sent_s": gone_s, "attempts": 0, "last_error": ""}
        connection.execute(insert(t.outbox).values(entry))
