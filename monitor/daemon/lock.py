"""The data directory belongs to one program at a time."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

LOCK, HISTORY = "farpole.lock", "history.sqlite"


@contextmanager
def held(data: Path) -> Iterator[None]:
    """Hold the data directory; raises BlockingIOError where another farpole has it, OSError where it cannot be."""
    data.mkdir(parents=True, exist_ok=True, mode=0o750)
    with (data / LOCK).open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        lock.truncate(0)
        lock.write(f"{os.getpid()}\n")
        lock.flush()
        yield
