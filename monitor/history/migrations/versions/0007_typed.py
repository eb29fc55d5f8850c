"""What was only said of an alarm as facts: its signs, whom it hid from sight, what it turned out to be."""

from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

from monitor.history.old_words import facts_of_alarm, facts_of_change

revision = "0007"
down_revision = "0006"

_FEW = 500


def upgrade() -> None:
    for owner, column, default in (
        ("alarm", "settlement", ""),
        ("alarm", "signs", "[]"),
        ("alarm_change", "settlement", ""),
        ("alarm_change", "impacted", "[]"),
    ):
        op.add_column(owner, sa.Column(column, sa.Text, nullable=False, server_default=default))
    bind, columns = op.get_bind(), ("id", "what", "text", "note", "settled", "settlement", "signs", "impacted")
    for name, said, facts_of in (
        ("alarm", ("text", "settled"), facts_of_alarm),
        ("alarm_change", ("what", "text", "note"), facts_of_change),
    ):
        table = sa.table(name, *map(sa.column, columns))
        for row in _rows(bind, table, said):
            facts = facts_of(*row[1:])
            bind.execute(sa.update(table).where(table.c.id == row[0]).values(facts))


def _rows(bind: sa.Connection, table: sa.TableClause, columns: tuple[str, ...]) -> Iterator[Any]:
    """The rows of a table by their ids, a few at a time: a history of years must not fill the memory."""
    after = -1
    while True:
        query = sa.select(table.c.id, *(table.c[one] for one in columns))
        rows = bind.execute(query.where(table.c.id > after).order_by(table.c.id).limit(_FEW)).all()
        yield from rows
        if not rows:
            return
        after = rows[-1].id
