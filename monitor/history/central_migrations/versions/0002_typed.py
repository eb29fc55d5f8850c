"""The facts of alarms and of their changes, as sites keep them since schema 0007."""

from alembic import op
from sqlalchemy import text

from monitor.history.old_words import facts_of_alarm, facts_of_change

revision = "0002"
down_revision = "0001"

MINE = "source = current_setting('farpole.source')::integer"
VIEWS = {
    "alarm": "id, resource, type, qualifier, severity, cleared, operator, text, root, impacted, cause, settled, "
    "raised_s, changed_s, times_raised, said, settlement, signs",
    "alarm_change": "id, alarm, at_s, what, severity, text, who, note, raised_s, said, settlement, impacted",
}


def upgrade() -> None:
    op.execute("ALTER TABLE centre.alarm ADD COLUMN settlement text NOT NULL DEFAULT ''")
    op.execute("ALTER TABLE centre.alarm ADD COLUMN signs text NOT NULL DEFAULT '[]'")
    op.execute("ALTER TABLE centre.alarm_change ADD COLUMN settlement text NOT NULL DEFAULT ''")
    op.execute("ALTER TABLE centre.alarm_change ADD COLUMN impacted text NOT NULL DEFAULT '[]'")
    for name, columns in VIEWS.items():
        op.execute(f"CREATE OR REPLACE VIEW one_site.{name} AS SELECT {columns} FROM centre.{name} WHERE {MINE}")
    bind = op.get_bind()
    for row in bind.execute(text("SELECT source, id, text, settled FROM centre.alarm")).all():
        where = {"source": row[0], "id": row[1]}
        put = "UPDATE centre.alarm SET settlement = :settlement, signs = :signs WHERE source = :source AND id = :id"
        bind.execute(text(put), where | facts_of_alarm(*row[2:]))
    for row in bind.execute(text("SELECT source, id, what, text, note FROM centre.alarm_change")):
        where = {"source": row[0], "id": row[1]}
        put = "UPDATE centre.alarm_change SET settlement = :settlement, impacted = :impacted "
        bind.execute(text(f"{put}WHERE source = :source AND id = :id"), where | facts_of_change(*row[2:]))
