"""A test that measures time on a machine that may be busy: for how long this process itself was not let go on.

The simulated site lives in the test's own loop. While that stands still no device answers, and the daemon, a process on
the same machine, is no faster. What is measured so is taken off: a fault of the program stays, a busy machine goes.
"""

import contextlib
from collections.abc import Iterator

from monitor.daemon.clock import SystemClock
from monitor.daemon.pulse import Pulse


class Standstill:
    """How long the test's own loop has stood still since this began."""

    def __init__(self) -> None:
        self.pulse = Pulse(SystemClock())
        self.pulse.begin()

    @property
    def seconds(self) -> float:
        """At the longest, in one piece, until now [s]."""
        return self.pulse.worst_s


@contextlib.contextmanager
def standstill() -> Iterator[Standstill]:
    """Measure while a test goes on."""
    measured = Standstill()
    try:
        yield measured
    finally:
        measured.pulse.close()
