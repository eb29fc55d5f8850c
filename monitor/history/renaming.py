"""A pole, load or supply has another name in the plan: all that is known of it goes on under the new one."""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Column, Connection, and_, exists, func, literal, or_, select, update
from sqlalchemy.sql.elements import ColumnElement

from monitor.history import tables as t
from monitor.history.engine import Kept

_UNIQUE = (
    (t.series, t.series.c.resource, (t.series.c.quantity,)),
    (t.device_slot, t.device_slot.c.device, (t.device_slot.c.tier,)),
    (t.alarm, t.alarm.c.resource, (t.alarm.c.type, t.alarm.c.qualifier)),
)
_PLAIN = (
    t.alarm.c.root,
    t.baseline.c.resource,
    t.repair.c.resource,
    t.shelf.c.resource,
    t.event.c.resource,
    t.outbox.c.resource,
)


class Renaming(Kept):
    """The part of the store that gives other names."""

    def rename(self, pairs: Sequence[tuple[str, str]]) -> int:
        """Give resources, and all below them, other names (old, new); how many series and alarms had the old one.

        Where the new name has a series of its own already, the old one keeps its name: two histories are not mixed.
        """
        if not pairs:
            return 0
        found = self._act(lambda connection: sum(_rename(connection, old, new) for old, new in pairs))
        self.forget_ids()
        return found


def _rename(connection: Connection, old: str, new: str) -> int:
    count = 0
    for table, column, others in _UNIQUE:
        taken = table.alias()
        same = and_(taken.c[column.name] == _new(column, old, new), *(taken.c[one.name] == one for one in others))
        where = and_(_has(column, old), ~exists(select(literal(1)).select_from(taken).where(same)))
        count += connection.execute(update(table).where(where).values({column.name: _new(column, old, new)})).rowcount
    for column in _PLAIN:
        connection.execute(update(column.table).where(_has(column, old)).values({column.name: _new(column, old, new)}))
    a = t.alarm.c
    for row in connection.execute(select(a.id, a.impacted).where(a.impacted != "[]")).all():
        names = [
            new + one[len(old) :] if one == old or one.startswith(f"{old}/") else one for one in _list(row.impacted)
        ]
        connection.execute(update(t.alarm).where(a.id == row.id).values(impacted=json.dumps(names)))
    return count


def _list(kept: str) -> list[str]:
    names: list[str] = json.loads(kept)
    return names


def _has(column: Column[Any], name: str) -> ColumnElement[bool]:
    return or_(column == name, func.substr(column, 1, len(name) + 1) == f"{name}/")


def _new(column: Column[Any], old: str, new: str) -> ColumnElement[str]:
    return literal(new) + func.substr(column, len(old) + 1)
