"""What sentences were made from, beside their English text: so that they can be said in another language."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    for table in ("alarm", "alarm_change"):
        op.add_column(table, sa.Column("said", sa.Text, nullable=False, server_default=""))
