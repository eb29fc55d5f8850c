"""Shelves: planned work, and what is not wanted for a while."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "shelf",
        sa.Column("id", BIG, primary_key=True),
        *(sa.Column(name, sa.String, nullable=False) for name in ("resource", "type")),
        *(sa.Column(name, sa.Float, nullable=False) for name in ("from_s", "until_s")),
        sa.Column("who", sa.String, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
    )
