"""The schema: forward from every earlier one, by Alembic, with what was there before kept beside it."""

import sqlite3
from contextlib import closing
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from monitor.history import backup
from monitor.history.trouble import NotKept

BEFORE = "history-of-schema-"
"""Begins the name of what is kept of an upgrade; of several only the newest stays."""


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "monitor.history:migrations")
    return config


def newest() -> str:
    """The schema of this farpole."""
    return str(ScriptDirectory.from_config(_config()).get_current_head())


def back_up_first(history: Path) -> None:
    """Keep an older history beside its file before it is changed; raises NotKept where there is no room for that."""
    was = _revision(history)
    if was is None or was == newest():
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


def upgrade(connection: Connection) -> None:
    """Bring the schema up to date, in the transaction of this connection; raises NotKept for a newer one than ours."""
    _refuse_newer(connection)
    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def _refuse_newer(connection: Connection) -> None:
    there = MigrationContext.configure(connection).get_current_revision()
    known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
    if there is not None and there not in known:
        raise NotKept(
            f"this history was written by a newer farpole (schema {there}, ours is {newest()}); it is left alone"
        )


def check(connection: Connection, name: str) -> None:
    """Raises NotKept where a history that is only read has another schema than ours."""
    there = MigrationContext.configure(connection).get_current_revision()
    if there is not None and there != newest():
        words = f"{name} has the schema {there}, this farpole reads {newest()}"
        raise NotKept(f"{words}: start farpole once, and it brings an older one up to date")
