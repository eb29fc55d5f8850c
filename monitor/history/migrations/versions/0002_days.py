"""Days: blocks of one series and day, rollups, features; baselines and repairs; rounds without a trusted time."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "day_block",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("blob", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "rollup_day",
        sa.Column("day", sa.Integer, primary_key=True),
        sa.Column("series", sa.Integer, primary_key=True),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("lo", sa.Float, nullable=True),
        sa.Column("mean", sa.Float, nullable=True),
        sa.Column("hi", sa.Float, nullable=True),
        sa.Column("last", sa.Float, nullable=True),
        *(sa.Column(name, sa.Integer, nullable=False) for name in ("dark", "silent", "absent", "garbled")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "feature_day",
        *(sa.Column(name, sa.Integer, primary_key=True) for name in ("day", "series", "version")),
        sa.Column("n", sa.Integer, nullable=False),
        *(sa.Column(name, sa.Float, nullable=True) for name in ("midmean", "p5", "p95", "t_mean", "sxy", "sxx")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "setting",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("value", sa.String, nullable=False),
    )
    op.create_table(
        "baseline",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("resource", sa.String, nullable=False),
        sa.Column("quantity", sa.String, nullable=False),
        sa.Column("from_s", sa.Float, nullable=False),
        sa.Column("value", sa.Float, nullable=True),
        sa.Column("spread", sa.Float, nullable=True),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("detail", sa.Text, nullable=False),
    )
    op.create_table(
        "repair",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("at_s", sa.Float, nullable=False),
        sa.Column("resource", sa.String, nullable=False),
        sa.Column("who", sa.String, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
    )
    op.create_index("ix_repair_at_s", "repair", ["at_s"])
    op.create_table(
        "cursor",
        sa.Column("peer", sa.String, primary_key=True),
        sa.Column("kind", sa.String, primary_key=True),
        sa.Column("at", BIG, nullable=False),
    )
    op.create_table(
        "untimed_row",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("boot", sa.String, nullable=False),
        sa.Column("monotonic_s", sa.Float, nullable=False),
        sa.Column("slot", sa.Integer, sa.ForeignKey("device_slot.id"), nullable=False),
        sa.Column("blob", sa.LargeBinary, nullable=False),
    )
