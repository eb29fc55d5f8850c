"""The schema: forward from every earlier one, by Alembic, with what was there before kept beside it."""

import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection, inspect, text

from monitor.history import backup
from monitor.history.trouble import NotKept

BEFORE = "history-of-schema-"
"""Begins the name of what is kept of an upgrade; of several only the newest stays."""


NEWEST = "0005"
"""The schema of this farpole: the last of migrations/versions."""


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
        with closing(sqlite3.connect(f"file:{history}?mode=ro", uri=True)) as connection:
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
    there = _of(connection)
    if there == NEWEST:
        return
    # Here, because a box whose history is up to date has no need of it, and it takes 8 MB.
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", "monitor.history:migrations")
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if there is not None and there not in known:
        raise NotKept(
            f"this history was written by a newer farpole (schema {there}, ours is {NEWEST}); it is left alone"
        )
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def check(connection: Connection, name: str) -> None:
    """Raises NotKept where a history that is only read has another schema than ours."""
    there = _of(connection)
    if there is not None and there != NEWEST:
        words = f"{name} has the schema {there}, this farpole reads {NEWEST}"
        raise NotKept(f"{words}: start farpole once, and it brings an older one up to date")
