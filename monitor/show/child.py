"""Processes that can be done without."""

import logging
from pathlib import Path

log = logging.getLogger(__name__)

FIRST_TO_GO = 1000
"""Before any other, however little it takes (proc(5), oom_score_adj)."""


def first_to_go(process: int | str = "self") -> None:
    """Where memory runs out the kernel shall end this process, not the daemon that shares its limit."""
    try:
        Path(f"/proc/{process}/oom_score_adj").write_text(str(FIRST_TO_GO), encoding="ascii")
    except OSError as error:
        log.debug("it has ended, or the kernel is another: %s", error)
