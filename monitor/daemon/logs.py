"""The log: set up in one place, and limited by kind of message, so that no flood fills a disk or hides what matters."""

import logging
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import TextIO

from monitor.daemon.clock import SystemClock
from monitor.facts.printable import lines, one_line

MOST, PER_S = 20, 60.0
"""Messages of one kind that are written within so many seconds; the others are counted (common practice, no source)."""
MOST_KINDS = 500
"""Kinds that are told apart within that time; those beyond count as one kind of their logger."""
MOST_CHARACTERS = 8_000
"""Of one message with its traceback; its beginning and its end stay."""
_VARIES = re.compile(r"0x[0-9a-fA-F]+|\d+|'[^']*'|\"[^\"]*\"")
Kind = tuple[str, int, str]


@dataclass(slots=True)
class _Count:
    began_s: float
    written: int = 0
    left_out: int = 0


class Limited(logging.Handler):
    """Hands messages on, of each kind the first few a minute, and says once how many it has left out.

    A kind is what the program has written down, without what varies in it: numbers, addresses, names in quotes. Some
    libraries put those into the text itself.
    """

    def __init__(self, to: logging.Handler, now: Callable[[], float]) -> None:
        """``now`` gives monotonic seconds."""
        super().__init__()
        self._to, self._now = to, now
        self._counts: dict[Kind, _Count] = {}

    def emit(self, record: logging.LogRecord) -> None:
        """Write a record, or count it."""
        now_s = self._now()
        self._say_over(now_s)
        kind = self._kind(record)
        count = self._counts.setdefault(kind, _Count(now_s))
        if count.written < MOST:
            count.written += 1
            self._to.handle(record)
        else:
            count.left_out += 1

    def _kind(self, record: logging.LogRecord) -> Kind:
        kind = (record.name, record.levelno, _VARIES.sub("#", str(record.msg))[:200])
        if kind in self._counts or len(self._counts) < MOST_KINDS:
            return kind
        return (record.name, record.levelno, "")

    def tell(self) -> None:
        """Say what has been left out of kinds whose minute is over; for when nothing else is logged."""
        self.acquire()
        try:
            self._say_over(self._now())
        finally:
            self.release()

    def _say_over(self, now_s: float) -> None:
        over = [kind for kind, count in self._counts.items() if now_s - count.began_s >= PER_S]
        for kind in over:
            self._say(kind, self._counts.pop(kind))

    def _say(self, kind: Kind, count: _Count) -> None:
        if not count.left_out:
            return
        name, level, text = kind
        words = "%d more like this were left out: %s"
        about = text.split("\n")[0] or f"messages of {name}"
        self._to.handle(logging.LogRecord(name, level, __file__, 0, words, (count.left_out, about), None))

    def close(self) -> None:
        """Say what has been left out until now, whatever the time."""
        for kind, count in self._counts.items():
            self._say(kind, count)
        self._counts.clear()
        super().close()


class OneLine(logging.Formatter):
    """A message of the log is one printable line; only a traceback has more, and neither takes more than so much."""

    def formatMessage(self, record: logging.LogRecord) -> str:
        """The line."""
        record.message = one_line(record.message)
        return super().formatMessage(record)

    def format(self, record: logging.LogRecord) -> str:
        """The line, or, with a traceback, the lines."""
        text = lines(super().format(record))
        if len(text) <= MOST_CHARACTERS:
            return text
        half = MOST_CHARACTERS // 2
        return f"{text[:half]}\n… {len(text) - 2 * half} characters left out …\n{text[-half:]}"


def set_up(to: TextIO, now: Callable[[], float]) -> Limited:
    """Log to a stream: lines that read well in a terminal and in the journal, which adds the time itself.

    Everything goes this way, what libraries say as well: uvicorn, asyncio, and Python's own warnings.
    """
    for name in ("alembic", "uvicorn", "apscheduler"):
        logging.getLogger(name).setLevel(logging.WARNING)
    logging.getLogger("pymodbus").setLevel(logging.ERROR)  # it does not say whom it cannot reach: the alarm does
    logging.captureWarnings(True)
    written = logging.StreamHandler(to)
    in_terminal = to.isatty()
    written.setFormatter(OneLine("%(asctime)s %(message)s" if in_terminal else "%(levelname)s %(message)s", "%H:%M:%S"))
    limited, root = Limited(written, now), logging.getLogger()
    if not root.handlers:
        root.addHandler(limited)
        root.setLevel(logging.INFO)
    return limited


def log_to_stderr() -> None:
    """Log as a daemon does."""
    set_up(sys.stderr, SystemClock().monotonic_s)


def tell_left_out() -> None:
    """Say now what has been left out of kinds whose minute is over."""
    for one in logging.getLogger().handlers:
        if isinstance(one, Limited):
            one.tell()
