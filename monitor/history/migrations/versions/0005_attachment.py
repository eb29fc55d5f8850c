"""A file that goes with a message."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.add_column("outbox", sa.Column("attachment", sa.Text, nullable=False, server_default=""))
