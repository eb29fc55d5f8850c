"""Run by Alembic with the connection that the store hands over."""

from alembic import context

from monitor.history.tables import meta

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=meta, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
