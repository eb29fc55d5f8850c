"""Putting a backup in the place of a history: only after it has been looked into as if a stranger had made it."""

import errno
import os
import re
import shutil
import sqlite3
import struct
import tempfile
import zlib
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from monitor.history import tables as t
from monitor.history import wal
from monitor.history.backup import Backup, verify
from monitor.history.store import NotKept, Store
from monitor.history.trouble import Reason

_STORED = {int: ("integer",), float: ("real", "integer"), str: ("text",), bytes: ("blob",), bool: ("integer",)}
"""Storage classes of SQLite for what a column holds (its document "Datatypes In SQLite", section 2)."""
_COMPUTES = re.compile(r"\b(CHECK|GENERATED|VIRTUAL|WHERE|COLLATE)\b|\bAS\s*\(", re.IGNORECASE)
"""Words by which a table or an index would run something of its maker's."""
BARE = b"SQLite format 3\0"
"""How a history begins (SQLite's document "Database File Format", section 1.3.1)."""
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS)
SPARED_OCTETS = 64 * 2**20
Shape = dict[str, list[tuple[Any, ...]]]


def restore(file: Path, history: Path, beside: Path) -> Backup:
    """Put a backup in the place of the history, which is kept as ``beside``; raises NotKept.

    Nobody may have the history open.
    """
    verify(file)
    try:
        with tempfile.TemporaryDirectory(prefix="farpole-restore-", dir=history.parent) as folder:
            if file.stat().st_size + SPARED_OCTETS > shutil.disk_usage(folder).free:
                raise NotKept(f"{file} was not restored: there is no room for it in {history.parent}", Reason.FULL)
            copy = Path(folder) / "copy.sqlite"
            shutil.copyfile(file, copy)
            found = vet(copy, file)
            put_in_place(copy, history, beside, file)
    except (sqlite3.Error, OSError) as error:
        if isinstance(error, NotKept):
            raise
        raise NotKept(f"{file} was not restored: {error}") from error
    return found


def vet(copy: Path, file: Path) -> Backup:
    """Look into a copy of a history, and bring its schema up to date; raises NotKept, which names ``file``.

    Whole, of a schema of ours and nothing beside it, and with values that the next start can read.
    """
    copy.chmod(0o600)
    try:
        with closing(sqlite3.connect(copy)) as connection:
            connection.execute("PRAGMA trusted_schema=OFF")
            connection.execute("PRAGMA cell_size_check=ON")
            _nothing_runs(connection, file)
            answer = str(connection.execute("PRAGMA integrity_check(1)").fetchone()[0])
            if answer != "ok":
                raise NotKept(f"{file} is damaged: {_line(answer)}", Reason.DAMAGED)
            _of_a_schema(connection, file)
        with Store(copy) as store:  # brings it up to date, or says that it is newer
            _as_ours(copy, file)
            _values(copy, file)
            _readable(store, file)
    except sqlite3.Error as error:
        raise NotKept(f"{file} is damaged: {_line(error)}", Reason.DAMAGED) from error
    return verify(copy)


def _nothing_runs(connection: sqlite3.Connection, file: Path) -> None:
    for kind, name, sql in connection.execute("SELECT type, name, sql FROM sqlite_master"):
        if kind not in ("table", "index") or _COMPUTES.search(str(sql or "")):
            raise NotKept(f"{file}: {_line(f'{kind} {name}')} does not belong into a history", Reason.DAMAGED)


def _of_a_schema(connection: sqlite3.Connection, file: Path) -> None:
    rows = []
    with suppress(sqlite3.OperationalError):  # there is no such table
        rows = connection.execute("SELECT version_num FROM alembic_version").fetchall()
    if len(rows) != 1 or not re.fullmatch(r"\d{4}", str(rows[0][0])):
        raise NotKept(f"{file} is no history of farpole", Reason.DAMAGED)


def _as_ours(copy: Path, file: Path) -> None:
    """Tables and indexes are just those that a new history has."""
    model = copy.with_name("model.sqlite")
    Store(model).close()
    wanted, there = _shape(model), _shape(copy)
    odd = [name for name in wanted | there if wanted.get(name) != there.get(name)]
    if odd:
        raise NotKept(f"{file}: {_line(', '.join(odd[:5]))} does not belong into a history", Reason.DAMAGED)


def _shape(file: Path) -> Shape:
    """Table or index → its columns, with their types, keys and what they refer to."""
    shape: Shape = {}
    with closing(sqlite3.connect(file)) as connection:
        names = connection.execute("SELECT type, name FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'").fetchall()
        for kind, name in names:
            quoted = '"' + name.replace('"', '""') + '"'
            pragmas = ("table_xinfo", "foreign_key_list") if kind == "table" else ("index_xinfo",)
            shape[f"{kind} {name}"] = [row for p in pragmas for row in connection.execute(f"PRAGMA {p}({quoted})")]
            if kind == "table":
                indexes = connection.execute(f"PRAGMA index_list({quoted})").fetchall()
                shape[f"{kind} {name}"] += sorted(row[1:] for row in indexes)
    return shape


def _values(copy: Path, file: Path) -> None:
    """Each column holds what it should: SQLite itself would take anything."""
    with closing(sqlite3.connect(copy)) as connection:
        for table in t.meta.tables.values():
            for column in table.columns:
                kinds = [*_STORED[column.type.python_type], *(["null"] if column.nullable else [])]
                marks = ", ".join("?" * len(kinds))
                query = f'SELECT 1 FROM "{table.name}" WHERE typeof("{column.name}") NOT IN ({marks}) LIMIT 1'
                if connection.execute(query, kinds).fetchone():
                    raise NotKept(f"{file} holds a value that cannot be: {table.name}, {column.name}", Reason.DAMAGED)
        broken = connection.execute("PRAGMA foreign_key_check").fetchone()
        if broken:
            raise NotKept(f"{file} is damaged: rows of {broken[0]} refer to none of {broken[2]}", Reason.DAMAGED)


def _readable(store: Store, file: Path) -> None:
    """What a start, and a page, read of it can be read."""
    try:
        for ask in (store.alarms, store.told, store.called, store.shelves, store.baselines, store.repairs):
            ask()
        store.due(1e12)
        store.changes(0.0, 10**9)
        store.newest(0.0)
        int(store.setting_of("standard_offset_s") or 0)
    except NotKept:
        raise
    except (ArithmeticError, LookupError, TypeError, ValueError, AttributeError) as error:
        raise NotKept(f"{file} holds a value that cannot be: {_line(repr(error))}", Reason.DAMAGED) from None
    except (RecursionError, struct.error, zlib.error) as error:
        raise NotKept(f"{file} holds a value that cannot be: {_line(repr(error))}", Reason.DAMAGED) from None


def put_in_place(copy: Path, history: Path, beside: Path, file: Path) -> None:
    """Put a history that was vetted in the place of another, which is kept as ``beside``; raises NotKept.

    There is a history at every moment: the old one has two names before the new one takes its place.
    """
    if beside.exists():
        raise NotKept(f"{file} was not restored: {beside} is there already")
    log, log_beside = _log(history), _log(beside)
    try:
        with copy.open("rb") as written:
            os.fsync(written.fileno())
        if history.exists():
            _settle(history, beside)
            _also_as(history, beside)
            if log.exists():
                os.rename(log, log_beside)
        history.with_name(f"{history.name}-shm").unlink(missing_ok=True)
        log.unlink(missing_ok=True)
        _sync(history.parent)
        os.replace(copy, history)
    except OSError as error:
        _as_it_was(history, beside)
        raise NotKept(f"{file} was not restored: {error}") from error
    with suppress(OSError):  # it is there; that it outlasts a power cut in this second is all that is missing
        _sync(history.parent)


def _settle(history: Path, beside: Path) -> None:
    """Bring what a farpole that was killed has left in the log into its file; a damaged one stays as it is."""
    wal.mend(_log(history), beside.with_suffix(".wal"))
    look = "SELECT count(*) FROM sqlite_master"
    with suppress(sqlite3.Error):
        # First without its log: SQLite takes away the log of a file whose head it cannot read.
        with closing(sqlite3.connect(f"file:{history}?mode=ro&immutable=1", uri=True)) as connection:
            connection.execute(look).fetchone()
        with closing(sqlite3.connect(history)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _also_as(history: Path, beside: Path) -> None:
    """Give a file a second name, or, where the disk knows no such thing, a copy."""
    try:
        os.link(history, beside)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        shutil.copyfile(history, beside)
        with beside.open("rb") as written:
            os.fsync(written.fileno())


def _as_it_was(history: Path, beside: Path) -> None:
    with suppress(OSError):
        if _log(beside).exists():
            os.rename(_log(beside), _log(history))
        beside.unlink(missing_ok=True)


def _log(history: Path) -> Path:
    return history.with_name(f"{history.name}-wal")


def _sync(folder: Path) -> None:
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


def _line(words: object) -> str:
    """Words of a stranger's: one line of a length that can be read."""
    return " ".join("".join(c if c.isprintable() else " " for c in str(words)).split())[:200]
