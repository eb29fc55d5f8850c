"""How late this program itself is: a heartbeat of the event loop, and what its gaps were.

Where the machine is too busy, or was stopped for a moment, answers lie in a socket that nobody reads, and deadlines run
out meanwhile. Whoever was asked across such a gap has not been silent.
"""

import asyncio
from collections import deque

from monitor.daemon.clock import Clock

BEAT_S = 0.1
_NOTICED_S = 0.02
_KEPT_S = 120.0


class Pulse:
    """Beats in the event loop from ``begin`` to ``close``; until it begins, nothing is ever late."""

    def __init__(self, clock: Clock) -> None:
        self._now = clock.monotonic_s
        self._due_s: float | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._gaps: deque[tuple[float, float]] = deque()
        self.worst_s = 0.0
        """The longest gap that there ever was [s]."""

    def begin(self) -> None:
        """Begin to beat."""
        self._due_s = self._now() + BEAT_S
        self._timer = asyncio.get_running_loop().call_later(BEAT_S, self._beat)

    def _beat(self) -> None:
        now_s = self._now()
        if self._due_s is not None and now_s - self._due_s > _NOTICED_S:
            self._gaps.append((now_s, now_s - self._due_s))
            self.worst_s = max(self.worst_s, now_s - self._due_s)
        while self._gaps and self._gaps[0][0] < now_s - _KEPT_S:
            self._gaps.popleft()
        self.begin()

    def deaf_s(self, since_s: float) -> float:
        """For how long in all nobody listened since then [s]; the gap that is just ending counts."""
        now_s = self._now()
        late_s = now_s - self._due_s if self._due_s is not None else 0.0
        gaps = [*self._gaps, *([(now_s, late_s)] if late_s > _NOTICED_S else [])]
        return sum(min(gap_s, ended_s - since_s) for ended_s, gap_s in gaps if ended_s > since_s)

    def close(self) -> None:
        """Beat no more."""
        if self._timer is not None:
            self._timer.cancel()
        self._due_s = None
