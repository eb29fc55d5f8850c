"""A file that only holds room: given back when the disk is full, so that the last alarms can still be written."""

import contextlib
import logging
import os
import shutil
from pathlib import Path

log = logging.getLogger(__name__)

NAME = "ballast"
OCTETS = 16 * 2**20
LEAST_FREE = 16 * OCTETS
"""Where less is free than this, the ballast is not laid: it would itself be what fills the disk."""
LEAST_QUOTA = 64 * 2**20


def lay(data: Path) -> bool:
    """Lay the ballast where there is room for it; whether it lies there."""
    file = data / NAME
    try:
        if not file.exists() and shutil.disk_usage(data).free > LEAST_FREE:
            with file.open("xb") as opened:
                os.posix_fallocate(opened.fileno(), 0, OCTETS)
                os.fsync(opened.fileno())
        return file.exists()
    except OSError as error:
        log.warning("no room is held in reserve: %s", error)
        with contextlib.suppress(OSError):
            file.unlink()
        return False


def give_back(data: Path) -> bool:
    """Free what it holds; whether there was anything."""
    try:
        (data / NAME).unlink()
    except OSError:
        return False
    return True


def quota_octets(data: Path, wanted_gb: float | None) -> int:
    """What the history may take [octets]: as asked for, else half of the disk."""
    if wanted_gb is not None:
        return max(LEAST_QUOTA, int(wanted_gb * 1e9))
    there = next(folder for folder in (data, *data.absolute().parents) if folder.is_dir())
    return max(LEAST_QUOTA, shutil.disk_usage(there).total // 2)
