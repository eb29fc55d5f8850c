"""Alarms, their changes and messages as rows, and as the plain records that leave the room."""

import json
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection, update

from monitor.alarms.book import Alarm, Key
from monitor.alarms.cause import Cause, Suspect
from monitor.alarms.messages import Message
from monitor.alarms.settlement import Settlement
from monitor.alarms.states import Operator, Severity
from monitor.facts.words import Said, kept, revived
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
    settlement: Settlement = Settlement.UNTOLD
    impacted: tuple[str, ...] = ()
    """Places that could not be seen because of it (RFC 8632, impacted resources)."""


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


def made_from(**sentences: str) -> str:
    """What sentences were made from, as JSON beside their English text; empty where none is more than its text."""
    said = {name: kept(text) for name, text in sentences.items() if isinstance(text, Said)}
    return json.dumps(said) if said else ""


def sentences(said: str) -> dict[str, Any]:
    """What ``made_from`` has written."""
    found: dict[str, Any] = revived(json.loads(said)) if said else {}
    return found


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
        "cause": json.dumps(kept(asdict(alarm.cause))) if alarm.cause else "",
        "settled": alarm.settled,
        "raised_s": alarm.raised_s,
        "changed_s": alarm.changed_s,
        "times_raised": alarm.times_raised,
        "said": made_from(text=alarm.text, settled=alarm.settled),
        "settlement": alarm.settlement.value,
        "signs": json.dumps(sorted(alarm.signs)),
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
    cause = _cause_of(revived(json.loads(row.cause))) if row.cause else None
    said = sentences(row.said)
    return Alarm(
        Key(row.resource, row.type, row.qualifier),
        Severity(row.severity),
        row.cleared,
        said.get("text", row.text),
        row.raised_s,
        row.changed_s,
        Operator(row.operator),
        row.root,
        tuple(json.loads(row.impacted)),
        cause,
        said.get("settled", row.settled),
        row.times_raised,
        Settlement(row.settlement),
        frozenset(json.loads(row.signs)),
    )


def past_change(row: Any) -> PastChange:
    """The past change of a row."""
    said = sentences(row.said)
    return PastChange(
        Key(row.resource, row.type, row.qualifier),
        row.at_s,
        row.what,
        row.severity,
        said.get("text", row.text),
        row.who,
        said.get("note", row.note),
        row.raised_s,
        Settlement(row.settlement),
        tuple(json.loads(row.impacted)),
    )


def waiting_of(row: Any) -> Waiting:
    """The message of an outbox row."""
    message = Message(**{name: getattr(row, name) for name in Message.__slots__})
    return Waiting(row.id, message, row.attempts)
