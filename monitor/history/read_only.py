"""Reading a history that cannot be written: on a full or read-only disk, as it was left there."""

import os
import sqlite3
from contextlib import suppress
from pathlib import Path

from monitor.history.trouble import Reason, reason_of

LEAST_FREE_OCTETS = 64 * 1024
"""SQLite's shared index beside a log takes 32 KiB at least (its walformat document, section 2.1)."""


def reading(file: Path, timeout_s: float = 10.0) -> sqlite3.Connection:
    """A history opened for reading only; raises sqlite3.Error.

    Usually beside whoever writes it. Where the files that this takes cannot be made, nobody writes it: then with its
    log and an index of that in memory, or, where there is no log, as a file that does not change (SQLite's documents
    "Write-Ahead Logging", sections 5 and 8, and "URI Filenames").
    """
    if not why_not_written(file.parent) or not file.is_file():
        return _opened(file, "mode=ro", timeout_s)
    with suppress(sqlite3.OperationalError):
        return _looked_into(_opened(file, "mode=ro", timeout_s))
    log = file.with_name(file.name + "-wal")
    if not log.is_file() or not log.stat().st_size:
        return _opened(file, "mode=ro&immutable=1", timeout_s)
    alone = _opened(file, "mode=ro&vfs=unix-none", timeout_s)
    alone.execute("PRAGMA locking_mode=EXCLUSIVE")
    return alone


def _opened(file: Path, how: str, timeout_s: float) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{file}?{how}", uri=True, timeout=timeout_s, check_same_thread=False)


def _looked_into(connection: sqlite3.Connection) -> sqlite3.Connection:
    """A connection that is good for more than its opening, which reads nothing yet; raises sqlite3.Error."""
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def why_not_written(folder: Path) -> Reason:
    """Why nothing can be written in a folder: READ_ONLY, FULL, DENIED, LOST; NONE where it can, as far as is known."""
    try:
        disk = os.statvfs(folder)
    except OSError as error:
        return reason_of(error)
    if disk.f_flag & os.ST_RDONLY:
        return Reason.READ_ONLY
    if disk.f_bavail * disk.f_frsize < LEAST_FREE_OCTETS:
        return Reason.FULL
    return Reason.NONE if os.access(folder, os.W_OK | os.X_OK) else Reason.DENIED
