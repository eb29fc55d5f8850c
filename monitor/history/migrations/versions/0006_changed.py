"""Which days have changed and which rounds came late, for a centre; leases, for several who share one history."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "changed_day",
        sa.Column("kind", sa.String, primary_key=True),
        sa.Column("day", sa.Integer, primary_key=True),
        sa.Column("change", BIG, nullable=False),
    )
    op.create_index("ix_changed_day_change", "changed_day", ["change"])
    op.create_table("late_row", sa.Column("id", BIG, primary_key=True))
    op.create_table(
        "lease",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("holder", sa.String, nullable=False),
        sa.Column("until_s", sa.Float, nullable=False),
    )
    op.create_table(
        "passed_on",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("body", sa.LargeBinary, nullable=False),
    )
    for kind, table in (("blocks", "rollup_day"), ("features", "feature_day")):
        op.execute(
            f"INSERT INTO changed_day (kind, day, change) SELECT '{kind}', day, "
            "(SELECT coalesce(max(change), 0) FROM changed_day) + row_number() OVER (ORDER BY day) "
            f"FROM (SELECT DISTINCT day FROM {table}) AS days"
        )
