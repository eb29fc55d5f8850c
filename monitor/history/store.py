"""The store: one SQLite file, one writer. Plain records go in and come out; no row or session leaves.

Every call is short, synchronous and meant for one thread; the daemon gives it one.
"""

import struct
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, and_, create_engine, event, insert, or_, select, text, update
from sqlalchemy.dialects.sqlite import insert as sqlite_insert
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from monitor.alarms.book import Alarm, Change, Key
from monitor.alarms.callouts import Message
from monitor.facts.quantities import QUANTITIES
from monitor.facts.readings import Layout, Round, Slot
from monitor.history import tables as t
from monitor.history.codec import pack, unpack
from monitor.history.reader import Columns, read
from monitor.history.records import PastChange, Waiting, alarm_of, upsert_alarm, waiting_of, withdraw_callouts

_PRAGMAS = (
    "journal_mode=WAL",
    "synchronous=FULL",
    "wal_autocheckpoint=1000",
    "journal_size_limit=8388608",
    "busy_timeout=5000",
    "foreign_keys=ON",
)


class NotKept(OSError):
    """The history could not be read or written; the message says why."""


class Store:
    """The history of one site in one file."""

    def __init__(self, path: Path, read_only: bool = False) -> None:
        self.path = path
        options = "?mode=ro&uri=true" if read_only else ""
        url = f"sqlite+pysqlite:///file:{path}{options}" if read_only else f"sqlite+pysqlite:///{path}"
        self._engine = create_engine(url)
        event.listen(self._engine, "connect", _read_only if read_only else _prepare)
        event.listen(self._engine, "begin", _begin if not read_only else _begin_reading)
        self._slots: dict[tuple[str, str], int] = {}
        self._series: dict[Slot, int] = {}
        self._highest = 0
        self._layouts: dict[int, tuple[Layout, int, int]] = {}
        if not read_only:
            self._guard(self._migrate)

    def _guard(self, action: Any, *arguments: Any) -> Any:
        try:
            return action(*arguments)
        except DBAPIError as error:
            # What was entered in a transaction that failed is not there: ids must be read again.
            self._slots, self._series, self._layouts, self._highest = {}, {}, {}, 0
            raise NotKept(f"{self.path}: {error.orig}") from error
        except SQLAlchemyError as error:
            raise NotKept(f"{self.path}: {error}") from error

    def _migrate(self) -> None:
        with self._engine.begin() as connection:
            config = Config()
            config.set_main_option("script_location", "monitor.history:migrations")
            config.attributes["connection"] = connection
            command.upgrade(config, "head")

    def close(self) -> None:
        """Give the file back."""
        self._engine.dispose()

    # ---- readings

    def keep(self, rounds: Sequence[Round]) -> None:
        """Keep rounds in one transaction; one that is already there (same device, tier and second) stays."""
        self._guard(self._keep, rounds)

    def _keep(self, rounds: Sequence[Round]) -> None:
        with self._engine.begin() as connection:
            rows = []
            for one in rounds:
                slot, layout_id = self._layout(connection, one)
                rows.append({"id": int(one.at_s) << 16 | slot, "blob": pack(layout_id, one)})
            if rows:
                connection.execute(sqlite_insert(t.round_row).on_conflict_do_nothing(), rows)

    def _layout(self, connection: Connection, one: Round) -> tuple[int, int]:
        known = self._layouts.get(id(one.layout))
        if known is not None and known[0] is one.layout:
            return known[1], known[2]
        slot = self._slot(connection, one.layout.device, one.layout.tier)
        ids = struct.pack(f"<{len(one.layout.slots)}I", *self._series_ids(connection, one.layout.slots))
        found = connection.execute(
            select(t.layout.c.id).where(t.layout.c.slot == slot, t.layout.c.series_ids == ids)
        ).scalar()
        if found is None:
            row = {"slot": slot, "valid_from_s": one.at_s, "series_ids": ids}
            found = connection.execute(insert(t.layout).values(row).returning(t.layout.c.id)).scalar_one()
        self._layouts[id(one.layout)] = (one.layout, slot, found)
        return slot, int(found)

    def _slot(self, connection: Connection, device: str, tier: str) -> int:
        if (device, tier) not in self._slots:
            row = {"device": device, "tier": tier}
            connection.execute(sqlite_insert(t.device_slot).values(row).on_conflict_do_nothing())
            where = (t.device_slot.c.device == device, t.device_slot.c.tier == tier)
            self._slots[device, tier] = connection.execute(select(t.device_slot.c.id).where(*where)).scalar_one()
        return self._slots[device, tier]

    def _series_ids(self, connection: Connection, slots: Sequence[Slot]) -> list[int]:
        """Ids of series; those that are new are entered, all at once."""
        if any(slot not in self._series for slot in slots):
            self._read_series(connection)
            new = [slot for slot in slots if slot not in self._series]
            if new:
                rows = [
                    {
                        "resource": slot.resource,
                        "quantity": slot.quantity,
                        "unit": QUANTITIES[slot.quantity].unit,
                        "resolution": QUANTITIES[slot.quantity].resolution,
                    }
                    for slot in new
                ]
                connection.execute(sqlite_insert(t.series).on_conflict_do_nothing(), rows)
                self._read_series(connection)
        return [self._series[slot] for slot in slots]

    def _read_series(self, connection: Connection) -> None:
        query = select(t.series.c.id, t.series.c.resource, t.series.c.quantity).where(t.series.c.id > self._highest)
        for number, resource, quantity in connection.execute(query.order_by(t.series.c.id)):
            self._series[Slot(resource, quantity)] = self._highest = number

    def newest(self, since_s: float) -> list[Round]:
        """The newest round of every device and tier since a time: what memory is seeded from at start."""
        found: list[Round] = self._guard(self._newest, since_s)
        return found

    def _newest(self, since_s: float) -> list[Round]:
        newest = []
        # A device's rows lie among those of all others, so the search is bounded by time, not by device.
        query = text(
            "SELECT id, blob FROM round_row WHERE (id & 65535) = :slot AND id >= :since ORDER BY id DESC LIMIT 1"
        )
        with self._engine.connect() as connection:
            for slot, device, tier in connection.execute(select(t.device_slot)).all():
                row = connection.execute(query, {"slot": slot, "since": int(since_s) << 16}).first()
                if row is not None:
                    newest.append(self._round(connection, device, tier, row[0], row[1]))
        return newest

    def _round(self, connection: Connection, device: str, tier: str, row_id: int, blob: bytes) -> Round:
        layout_id, values, states = unpack(blob)
        ids = connection.execute(select(t.layout.c.series_ids).where(t.layout.c.id == layout_id)).scalar_one()
        names = {row.id: Slot(row.resource, row.quantity) for row in connection.execute(select(t.series))}
        slots = tuple(names[i] for i in struct.unpack(f"<{len(ids) // 4}I", ids))
        return Round(Layout(device, tier, slots), float(row_id >> 16), values, states)

    def series(self, slot: Slot, from_s: float, to_s: float, points: int) -> Columns:
        """One series between two times (UTC seconds) in at most ``points`` stretches."""

        def ask() -> Columns:
            with self._engine.connect() as connection:
                return read(connection, slot, from_s, to_s, points)

        found: Columns = self._guard(ask)
        return found

    # ---- alarms and messages

    def record(self, changes: Sequence[Change], messages: Iterable[Message] = ()) -> None:
        """Keep changes of alarms and the messages that they call for, in one transaction."""
        self._guard(self._record, changes, list(messages))

    def _record(self, changes: Sequence[Change], messages: Sequence[Message]) -> None:
        with self._engine.begin() as connection:
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
                }
                connection.execute(insert(t.alarm_change).values(row))
                if change.what in ("cleared", "linked"):
                    withdraw_callouts(connection, change.alarm.key)
            for message in messages:
                row = {**asdict(message), "state": "waiting", "attempts": 0, "last_error": ""}
                connection.execute(insert(t.outbox).values(row))

    def note(self, at_s: float, kind: str, resource: str, words: str) -> None:
        """Keep an event that is no alarm: a start, a stop, a repair."""

        def write() -> None:
            with self._engine.begin() as connection:
                row = {"at_s": at_s, "kind": kind, "resource": resource, "text": words}
                connection.execute(insert(t.event).values(row))

        self._guard(write)

    def notes(self, kind: str) -> list[tuple[float, str, str]]:
        """Events of a kind, oldest first: when, of what, in which words."""
        query = select(t.event.c.at_s, t.event.c.resource, t.event.c.text).where(t.event.c.kind == kind)

        def read_notes() -> list[tuple[float, str, str]]:
            with self._engine.connect() as connection:
                return [(row[0], row[1], row[2]) for row in connection.execute(query.order_by(t.event.c.id))]

        found: list[tuple[float, str, str]] = self._guard(read_notes)
        return found

    def alarms(self) -> list[Alarm]:
        """All alarms as they were last kept."""

        def read() -> list[Alarm]:
            with self._engine.connect() as connection:
                return [alarm_of(row) for row in connection.execute(select(t.alarm))]

        found: list[Alarm] = self._guard(read)
        return found

    def changes(self, since_s: float, most: int = 500) -> list[PastChange]:
        """Changes of alarms since a time, oldest first; of more than ``most`` the newest."""

        def read() -> list[PastChange]:
            c, a = t.alarm_change.c, t.alarm.c
            query = (
                select(a.resource, a.type, a.qualifier, c.at_s, c.what, c.severity, c.text, c.who, c.note, c.raised_s)
                .join(t.alarm, a.id == c.alarm)
                .where(c.at_s >= since_s)
                .order_by(c.id.desc())
                .limit(most)
            )
            with self._engine.connect() as connection:
                rows = connection.execute(query).all()
            return [PastChange(Key(r[0], r[1], r[2]), *r[3:]) for r in reversed(rows)]

        found: list[PastChange] = self._guard(read)
        return found

    def told(self) -> dict[tuple[str, str], bool]:
        """(person, alarm) → whether the newest message about it was a callout that has gone, or is on its way."""

        def read() -> dict[tuple[str, str], bool]:
            c = t.outbox.c
            going = or_(c.state == "sent", and_(c.state == "waiting", c.attempts > 0))
            query = select(c.person, c.resource, c.type, c.kind).where(going, c.kind != "letter").order_by(c.id)
            with self._engine.connect() as connection:
                rows = connection.execute(query).all()
            return {(r.person, f"{r.resource} {r.type}"): r.kind == "callout" for r in rows}

        found: dict[tuple[str, str], bool] = self._guard(read)
        return found

    def due(self, now_s: float) -> list[Waiting]:
        """Messages that may leave now, in the order in which things happened.

        Where one may leave, all to the same account that failed before go with it, ahead of it: an all-clear must
        never overtake its callout.
        """

        def read() -> list[Waiting]:
            c = t.outbox.c
            query = select(t.outbox).where(c.state == "waiting").order_by(c.id)
            with self._engine.connect() as connection:
                rows = connection.execute(query).all()
            accounts = {r.to for r in rows if r.not_before_s <= now_s}
            leaving = [r for r in rows if r.to in accounts and (r.not_before_s <= now_s or r.attempts > 0)]
            return [waiting_of(r) for r in leaving]

        found: list[Waiting] = self._guard(read)
        return found

    def went(self, message_id: int, at_s: float) -> None:
        """A message has been taken by the carrier."""
        self._set(message_id, {"state": "sent", "sent_s": at_s, "last_error": ""})

    def failed(self, message_id: int, why: str, again_s: float) -> None:
        """A message could not be sent; it may be tried again at ``again_s``."""
        self._set(message_id, {"attempts": t.outbox.c.attempts + 1, "last_error": why, "not_before_s": again_s})

    def _set(self, message_id: int, values: dict[str, Any]) -> None:
        def write() -> None:
            with self._engine.begin() as connection:
                connection.execute(update(t.outbox).where(t.outbox.c.id == message_id).values(values))

        self._guard(write)


def _prepare(connection: Any, _: object) -> None:
    connection.isolation_level = None  # SQLAlchemy's BEGIN below is ours, not the driver's
    for pragma in _PRAGMAS:
        connection.execute(f"PRAGMA {pragma}")


def _read_only(connection: Any, _: object) -> None:
    connection.isolation_level = None
    connection.execute("PRAGMA busy_timeout=5000")


def _begin(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _begin_reading(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN")
