"""The schema: forward from every earlier one, by Alembic, with what was there before kept beside it."""

import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection, inspect, text

from monitor.history import backup
from monitor.history.read_only import reading
from monitor.history.trouble import NotKept, Reason

BEFORE = "history-of-schema-"
"""Begins the name of what is kept of an upgrade; of several only the newest stays."""


NEWEST = "0007"
"""The schema of this farpole: the last of migrations/versions."""
NEWEST_CENTRAL = "0002"
"""The same of a centre's tables: the last of central_migrations/versions."""


def back_up_first(history: Path) -> None:
    """Keep an older history beside its file before it is changed; raises NotKept where there is no room for that."""
    was = _revision(history)
    if was is None or was == NEWEST:
        return
    to = history.with_name(f"{BEFORE}{was}.sqlite")
    for older in history.parent.glob(f"{BEFORE}*.sqlite"):
        older.unlink()
    try:
        backup.back_up(history, to)
    except NotKept as error:
        raise NotKept(f"{history} is of an older farpole and is kept as it is: {error}", error.reason) from None


def _revision(history: Path) -> str | None:
    """The schema of a file; None where it is new."""
    if not history.exists():
        return None
    try:
        with closing(reading(history)) as connection:
            row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.Error:
        return None  # new, or damaged: whoever opens it says so
    return str(row[0]) if row else None


def _of(connection: Connection) -> str | None:
    """The schema of an open history; None where it is new."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def upgrade(connection: Connection) -> None:
    """Bring the schema up to date, in the transaction of this connection; raises NotKept for a newer one than ours."""
    _upgrade(connection, _of(connection), NEWEST, "migrations", "history was")


_ALONE = 0x6661_7271
"""Of PostgreSQL's advisory locks the one under which a centre's schema is changed: several may start at once."""


def upgrade_central(connection: Connection) -> None:
    """The same for a centre's tables, which have a schema of their own in PostgreSQL."""
    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ALONE})
    connection.execute(text("CREATE SCHEMA IF NOT EXISTS centre"))
    there = None
    if inspect(connection).has_table("version", schema="centre"):
        there = connection.execute(text("SELECT version_num FROM centre.version")).scalar()
    _upgrade(connection, there, NEWEST_CENTRAL, "central_migrations", "centre's tables were")


def _upgrade(connection: Connection, there: str | None, newest: str, scripts: str, what: str) -> None:
    if there == newest:
        return
    # Here, because a box whose history is up to date has no need of it, and it takes 8 MB.
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", f"monitor.history:{scripts}")
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if there is not None and there not in known:
        raise NotKept(f"this {what} written by a newer farpole (schema {there}, ours is {newest}); it is left alone")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def check(connection: Connection, name: str) -> None:
    """Raises NotKept where a history that is only read has another schema than ours."""
    there = _of(connection)
    if there is None and connection.dialect.name == "sqlite":
        raise NotKept(f"{name} has nothing in it yet: farpole is being started for the first time", Reason.EMPTY)
    if there is not None and there != NEWEST:
        words = f"{name} has the schema {there}, this farpole reads {NEWEST}"
        raise NotKept(f"{words}: start farpole once, and it brings an older one up to date")
