"""Alarms, their changes and messages as rows, and as the plain records that leave the room."""

import json
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection, update

from monitor.alarms.book import Alarm, Key
from monitor.alarms.callouts import Message
from monitor.alarms.cause import Cause, Suspect
from monitor.alarms.states import Operator, Severity
from monitor.history import tables as t
from monitor.history.engine import putting


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message in the outbox."""

    id: int
    message: Message
    attempts: int


@dataclass(frozen=True, slots=True)
class PastChange:
    """A change of an alarm, as history tells it."""

    key: Key
    at_s: float
    what: str
    severity: str
    text: str
    who: str
    note: str
    raised_s: float


@dataclass(frozen=True, slots=True)
class Posted:
    """How a message fared: when a carrier took it, or why none did."""

    person: str
    to: str
    kind: str
    state: str
    sent_s: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Repair:
    """What somebody did at a pole, and when."""

    at_s: float
    resource: str
    who: str
    text: str


@dataclass(frozen=True, slots=True)
class BaselineSet:
    """A baseline: since when, at what value, with which spread, and why it began; in the series' unit."""

    resource: str
    quantity: str
    from_s: float
    value_in_unit: float
    spread_in_unit: float
    reason: str
    detail: str = ""


def upsert_alarm(connection: Connection, alarm: Alarm) -> int:
    """Keep an alarm as it is now; its row's id."""
    row = {
        "resource": alarm.key.resource,
        "type": alarm.key.type,
        "qualifier": alarm.key.qualifier,
        "severity": alarm.severity.value,
        "cleared": alarm.cleared,
        "operator": alarm.operator.value,
        "text": alarm.text,
        "root": alarm.root,
        "impacted": json.dumps(alarm.impacted),
        "cause": json.dumps(asdict(alarm.cause)) if alarm.cause else "",
        "settled": alarm.settled,
        "raised_s": alarm.raised_s,
        "changed_s": alarm.changed_s,
        "times_raised": alarm.times_raised,
    }
    statement = putting(connection, t.alarm).values(row)
    same = [t.alarm.c.resource, t.alarm.c.type, t.alarm.c.qualifier]
    statement = statement.on_conflict_do_update(index_elements=same, set_=row)
    return int(connection.execute(statement.returning(t.alarm.c.id)).scalar_one())


def withdraw_callouts(connection: Connection, key: Key) -> None:
    """A callout that has not left yet is not needed once its alarm has cleared or is explained by another."""
    c = t.outbox.c
    where = (c.state == "waiting", c.kind == "callout", c.resource == key.resource, c.type == key.type, c.attempts == 0)
    connection.execute(update(t.outbox).where(*where).values(state="withdrawn"))


def _cause_of(kept: dict[str, Any]) -> Cause:
    """A cause as it was kept, also by an earlier farpole that knew less of it."""
    lists = {name: tuple(kept[name]) for name in ("evidence", "van_list", "cautions")}
    suspects = tuple(Suspect(**one) for one in kept.get("suspects", ()))
    return Cause(**{"group": kept["name"], "percent": 0.0, **kept, **lists, "suspects": suspects})


def alarm_of(row: Any) -> Alarm:
    """The alarm of a row."""
    cause = _cause_of(json.loads(row.cause)) if row.cause else None
    return Alarm(
        Key(row.resource, row.type, row.qualifier),
        Severity(row.severity),
        row.cleared,
        row.text,
        row.raised_s,
        row.changed_s,
        Operator(row.operator),
        row.root,
        tuple(json.loads(row.impacted)),
        cause,
        row.settled,
        row.times_raised,
    )


def waiting_of(row: Any) -> Waiting:
    """The message of an outbox row."""
    message = Message(
        row.person, row.to, row.kind, row.resource, row.type, row.subject, row.body, row.happened_s, row.not_before_s
    )
    return Waiting(row.id, message, row.attempts)
