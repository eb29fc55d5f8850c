"""The first schema: round rows, alarms and their changes, events, outbox."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "series",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("resource", sa.String, nullable=False),
        sa.Column("quantity", sa.String, nullable=False),
        sa.Column("unit", sa.String, nullable=False),
        sa.Column("resolution", sa.Float, nullable=False),
        sa.UniqueConstraint("resource", "quantity"),
    )
    op.create_table(
        "device_slot",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("device", sa.String, nullable=False),
        sa.Column("tier", sa.String, nullable=False),
        sa.UniqueConstraint("device", "tier"),
    )
    op.create_table(
        "layout",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("slot", sa.Integer, sa.ForeignKey("device_slot.id"), nullable=False),
        sa.Column("valid_from_s", sa.Float, nullable=False),
        sa.Column("series_ids", sa.LargeBinary, nullable=False),
        sa.UniqueConstraint("slot", "series_ids"),
    )
    op.create_table(
        "round_row",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("blob", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "event",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("at_s", sa.Float, nullable=False, index=True),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("resource", sa.String, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
    )
    _alarms()
    op.create_table(
        "outbox",
        sa.Column("id", BIG, primary_key=True),
        *[sa.Column(name, sa.String, nullable=False) for name in ("person", "to", "kind", "resource", "type")],
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("happened_s", sa.Float, nullable=False),
        sa.Column("not_before_s", sa.Float, nullable=False),
        sa.Column("state", sa.String, nullable=False, index=True),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("last_error", sa.Text, nullable=False),
        sa.Column("sent_s", sa.Float, nullable=True),
    )


def _alarms() -> None:
    op.create_table(
        "alarm",
        sa.Column("id", sa.Integer, primary_key=True),
        *[sa.Column(name, sa.String, nullable=False) for name in ("resource", "type", "qualifier", "severity")],
        sa.Column("cleared", sa.Boolean, nullable=False),
        sa.Column("operator", sa.String, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("root", sa.String, nullable=False),
        sa.Column("impacted", sa.Text, nullable=False),
        sa.Column("cause", sa.Text, nullable=False),
        sa.Column("settled", sa.Text, nullable=False),
        sa.Column("raised_s", sa.Float, nullable=False),
        sa.Column("changed_s", sa.Float, nullable=False),
        sa.Column("times_raised", sa.Integer, nullable=False),
        sa.UniqueConstraint("resource", "type", "qualifier"),
    )
    op.create_table(
        "alarm_change",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("alarm", sa.Integer, sa.ForeignKey("alarm.id"), nullable=False, index=True),
        sa.Column("at_s", sa.Float, nullable=False, index=True),
        sa.Column("what", sa.String, nullable=False),
        sa.Column("severity", sa.String, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("who", sa.String, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("raised_s", sa.Float, nullable=False),
    )
