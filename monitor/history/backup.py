"""A backup: one file, made while rounds go on, read again from end to end before it counts."""

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from monitor.history.read_only import reading
from monitor.history.trouble import NotKept, Reason

_COUNTED = ("round_row", "day_block", "rollup_day", "alarm", "alarm_change", "baseline", "repair")


@dataclass(frozen=True, slots=True)
class Backup:
    """A verified file: its size [octets] and how many rows of each table it has."""

    octets: int
    rows: dict[str, int]


def back_up(history: Path, to: Path) -> Backup:
    """Write the history as it stands at one moment into a new file; raises NotKept, and leaves nothing half-made."""
    half = to.with_name(to.name + ".part")
    half.unlink(missing_ok=True)
    try:
        with closing(reading(history)) as connection:
            connection.execute("VACUUM INTO ?", (str(half),))
        found = verify(half)
        half.chmod(0o600)
        with half.open("rb") as written:
            os.fsync(written.fileno())
        half.rename(to)
    except (sqlite3.Error, OSError) as error:
        half.unlink(missing_ok=True)
        if isinstance(error, NotKept):
            raise
        raise NotKept(f"no backup of {history} in {to}: {error}") from error
    return found


def verify(file: Path) -> Backup:
    """Read a history from end to end; raises NotKept where it is not whole."""
    try:
        with closing(sqlite3.connect(f"file:{file}?mode=ro&immutable=1", uri=True)) as connection:
            answer = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if answer != "ok":
                raise NotKept(f"{file} is damaged: {answer}", Reason.DAMAGED)
            there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            if "round_row" not in there:
                raise NotKept(f"{file} is no history of farpole", Reason.DAMAGED)
            count = "SELECT count(*) FROM {}"
            rows = {n: connection.execute(count.format(n)).fetchone()[0] for n in _COUNTED if n in there}
    except sqlite3.Error as error:
        raise NotKept(f"{file} cannot be read: {error}", Reason.DAMAGED) from error
    return Backup(file.stat().st_size, rows)
