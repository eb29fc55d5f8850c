"""What a centre has not got yet: the history is the outbox itself, and only a cursor is kept beside it.

Changes of alarms and events are taken by their ids, rounds by theirs and, where they were kept late, by a list of
those; days as whole days once they are folded, and again whenever they have changed.
"""

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from sqlalchemy import Connection, Table, delete, func, select, update

from monitor.history import tables as t
from monitor.history.engine import Kept, putting
from monitor.history.fold import BLOCKS, DAY_S, FEATURES, chunks

HISTORY_ID = "history_id"
"""The setting that names this history: ids of another one mean something else."""
SHEETS = (t.setting, t.series, t.device_slot, t.layout, t.baseline, t.repair, t.shelf)
"""Small tables that go whole whenever they have changed."""
CHANGES, EVENTS, ROUNDS, DAYS, FEATURE_DAYS = "changes", "events", "rounds", "days", "features"
KINDS = (CHANGES, EVENTS, ROUNDS, DAYS, FEATURE_DAYS)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A small table as text (JSON: columns and rows), and the digest of that."""

    name: str
    text: str
    digest: str

    @classmethod
    def of(cls, name: str, document: Any) -> "Sheet":
        """A document as a sheet."""
        text = json.dumps(document, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
        return cls(name, text, hashlib.sha256(text.encode()).hexdigest())


@dataclass(frozen=True, slots=True)
class Piece:
    """Some rows of one kind, oldest first; ``up_to`` is where the cursor stands when they have arrived."""

    kind: str
    up_to: int
    records: tuple[dict[str, Any], ...] = ()
    blobs: tuple[tuple[int, bytes], ...] = ()


@dataclass(frozen=True, slots=True)
class Waiting:
    """What a peer has not got yet: how many changes of alarms, rounds since when (None: none), how many days."""

    changes: int
    rounds_since_s: float | None
    days: int


class Outbound(Kept):
    """The part of the store that a centre is told from."""

    def history_id(self) -> str:
        """The name of this history, drawn when it is first asked for."""
        return self.setting(HISTORY_ID, uuid4().hex)

    def fork(self) -> str:
        """A centre knows rows that are not here, as after an older copy was restored: go on under a new name."""
        name = uuid4().hex
        where = t.setting.c.name == HISTORY_ID
        self._act(lambda connection: connection.execute(update(t.setting).where(where).values(value=name)))
        return name

    def confirmed(self, peer: str) -> dict[str, int]:
        """Up to where a peer has confirmed each kind; 0 where nothing."""
        c = t.cursor.c
        query = select(c.kind, c.at).where(c.peer == peer)
        found = self._look(lambda connection: {row[0]: int(row[1]) for row in connection.execute(query)})
        return dict.fromkeys(KINDS, 0) | found

    def confirm(self, peer: str, up_to: dict[str, int]) -> None:
        """A peer has said up to where it has each kind."""
        rows = [{"peer": peer, "kind": kind, "at": at} for kind, at in up_to.items()]

        def act(connection: Connection) -> None:
            put = putting(connection, t.cursor)
            keys = ["peer", "kind"]
            connection.execute(put.on_conflict_do_update(index_elements=keys, set_={"at": put.excluded.at}), rows)

        if rows:
            self._act(act)

    def waiting(self, up_to: Mapping[str, int]) -> Waiting:
        """What is there above these cursors."""
        change, day, row = t.alarm_change.c, t.changed_day.c, t.round_row.c
        changes = select(func.count()).select_from(t.alarm_change).where(change.id > up_to[CHANGES])
        days = select(func.count()).select_from(t.changed_day)
        days = days.where(day.kind == BLOCKS, day.change > up_to[DAYS])
        first = select(func.min(row.id)).where(row.id > up_to[ROUNDS])

        def look(connection: Connection) -> Waiting:
            counts = [connection.execute(query).scalar() for query in (changes, days, first)]
            since = counts[2]
            return Waiting(int(counts[0] or 0), None if since is None else float(int(since) >> 16), int(counts[1] or 0))

        return self._look(look)

    def has_change(self, change_id: int, at_s: float) -> bool:
        """Is the change of an alarm that a peer knows as its newest the same here?"""
        c = t.alarm_change.c
        query = select(c.at_s).where(c.id == change_id)
        return self._look(lambda connection: connection.execute(query).scalar()) == at_s

    def sheets(self) -> list[Sheet]:
        """The small tables as they are now."""
        return self._look(lambda connection: [_sheet(connection, table) for table in SHEETS])

    def changes_after(self, after: int, most: int) -> Piece:
        """Changes of alarms, each with its alarm as it is now."""

        def look(connection: Connection) -> Piece:
            query = select(t.alarm_change).where(t.alarm_change.c.id > after).order_by(t.alarm_change.c.id).limit(most)
            changes = [dict(row) for row in connection.execute(query).mappings()]
            alarms: dict[int, dict[str, Any]] = {}
            for some in chunks(sorted({change["alarm"] for change in changes})):
                where = t.alarm.c.id.in_(some)
                alarms |= {row["id"]: dict(row) for row in connection.execute(select(t.alarm).where(where)).mappings()}
            records = tuple({**change, "now": alarms[change["alarm"]]} for change in changes)
            return Piece(CHANGES, records[-1]["id"] if records else after, records)

        return self._look(look)

    def events_after(self, after: int, most: int) -> Piece:
        """Events that are no alarms."""
        query = select(t.event).where(t.event.c.id > after).order_by(t.event.c.id).limit(most)
        rows = self._look(lambda connection: [dict(row) for row in connection.execute(query).mappings()])
        return Piece(EVENTS, rows[-1]["id"] if rows else after, tuple(rows))

    def rounds_after(self, after: int, most: int) -> Piece:
        """Rounds as they are kept."""
        query = select(t.round_row).where(t.round_row.c.id > after).order_by(t.round_row.c.id).limit(most)
        rows = self._look(lambda connection: [(int(row[0]), bytes(row[1])) for row in connection.execute(query)])
        return Piece(ROUNDS, rows[-1][0] if rows else after, blobs=tuple(rows))

    def late_rounds(self, most: int) -> tuple[tuple[int, bytes], ...]:
        """Rounds that were kept after rounds of a later time; those that are folded by now go with their day."""
        r = t.round_row.c
        query = select(r.id, r.blob).join(t.late_row, t.late_row.c.id == r.id).order_by(r.id).limit(most)
        return tuple(self._look(lambda connection: [(int(row[0]), bytes(row[1])) for row in connection.execute(query)]))

    def late_confirmed(self, ids: Sequence[int]) -> None:
        """A peer has these late rounds."""

        def act(connection: Connection) -> None:
            for some in chunks(ids):
                connection.execute(delete(t.late_row).where(t.late_row.c.id.in_(some)))

        if ids:
            self._act(act)

    def newest_rounds(self, since_s: float) -> tuple[tuple[int, bytes], ...]:
        """The newest round of every device and tier: how the site stands, ahead of a long queue."""

        def look(connection: Connection) -> list[tuple[int, bytes]]:
            rows = []
            for slot in connection.execute(select(t.device_slot.c.id)).scalars().all():
                r = t.round_row.c
                mine = r.id.op("&")(0xFFFF) == slot
                query = select(r.id, r.blob).where(mine, r.id >= int(since_s) << 16).order_by(r.id.desc()).limit(1)
                rows += [(int(row[0]), bytes(row[1])) for row in connection.execute(query)]
            return sorted(rows)

        return tuple(self._look(look))

    # ---- days

    def changed_days(self, kind: str, after: int, most: int) -> list[tuple[int, int]]:
        """(change, day) of days that have changed since; of blocks only days of which no round waits to be folded."""
        c = t.changed_day.c
        query = select(c.change, c.day).where(c.kind == kind, c.change > after).order_by(c.change).limit(most)

        def look(connection: Connection) -> list[tuple[int, int]]:
            found = [(int(row[0]), int(row[1])) for row in connection.execute(query)]
            if kind == FEATURES:
                return found
            offset_s = int(
                connection.execute(select(t.setting.c.value).where(t.setting.c.name == "standard_offset_s")).scalar()
                or 0
            )
            whole: list[tuple[int, int]] = []
            for change, day in found:
                first, end = ((day + i) * DAY_S - offset_s << 16 for i in (0, 1))
                waits = select(t.round_row.c.id).where(t.round_row.c.id >= first, t.round_row.c.id < end).limit(1)
                if connection.execute(waits).scalar() is not None:
                    break  # in order: what comes behind it waits, too
                whole.append((change, day))
            return whole

        return self._look(look)

    def day_blocks(self, day: int, from_series: int, most: int) -> tuple[tuple[int, bytes], ...]:
        """Blocks of a day by series, from a series on; (series, block)."""
        b = t.day_block.c
        query = select(b.id, b.blob).where(b.id >= day << 24 | from_series, b.id < day + 1 << 24)
        query = query.order_by(b.id).limit(most)
        return tuple(self._look(lambda c: [(int(row[0]) & 0xFFFFFF, bytes(row[1])) for row in c.execute(query)]))

    def day_rollups(self, day: int) -> list[dict[str, Any]]:
        """Rollups of a day."""
        query = select(t.rollup_day).where(t.rollup_day.c.day == day).order_by(t.rollup_day.c.series)
        return self._look(lambda c: [dict(row) for row in c.execute(query).mappings()])

    def day_features(self, day: int) -> list[dict[str, Any]]:
        """Features of a day."""
        query = select(t.feature_day).where(t.feature_day.c.day == day).order_by(t.feature_day.c.series)
        return self._look(lambda c: [dict(row) for row in c.execute(query).mappings()])


def _sheet(connection: Connection, table: Table) -> Sheet:
    columns = [column.name for column in table.columns]
    rows = [
        [base64.b64encode(value).decode() if isinstance(value, bytes) else value for value in row]
        for row in connection.execute(select(table).order_by(*table.primary_key.columns))
    ]
    return Sheet.of(table.name, {"columns": columns, "rows": rows})
