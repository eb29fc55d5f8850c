"""Run by Alembic with the connection that the centre hands over; its own version table, beside that of a history."""

from alembic import context

connection = context.config.attributes["connection"]
context.configure(connection=connection, version_table="version", version_table_schema="centre")
with context.begin_transaction():
    context.run_migrations()
