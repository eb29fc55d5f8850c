"""What the nightly judgement would have raised in the demo's past: each drift on the night after it was detected."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from monitor.alarms.book import Book, Change, step
from monitor.alarms.drifting import of_verdicts
from monitor.daemon.design import Design
from monitor.daemon.judging import resets_of
from monitor.daemon.months import standard_offset_s
from monitor.facts.readings import Round, Slot, State
from monitor.history.fold import DAY_S, day_of
from monitor.history.records import Repair
from monitor.margins.drift import BASELINE_DAYS
from monitor.margins.features import Features, daily
from monitor.margins.kinds import temperature_of, watched
from monitor.margins.verdict import Verdict, verdict_of
from monitor.simulation.faults import Visit

SIZE_DAYS = 7
"""How long after it was detected a drift is told here: its size is the median of a week."""
NIGHT_S = 1200.0
"""After midnight, when the day before has been folded."""


@dataclass
class _Taken:
    """Readings of one series."""

    times_s: list[float] = field(default_factory=list)
    values: list[float] = field(default_factory=list)


class Drifts:
    """Takes the readings of the judged series as they come, and judges them at the end."""

    def __init__(self, design: Design) -> None:
        self._design, self._watched = design, watched(design.plan, design.budget)
        beside = {found for slot in self._watched if (found := temperature_of(slot)) is not None}
        self._taken = {slot: _Taken() for slot in {*self._watched, *beside}}

    def take(self, rounds: Sequence[Round]) -> None:
        """Readings of a moment."""
        for readings in rounds:
            for slot in readings.layout.index.keys() & self._taken.keys():
                i = readings.layout.index[slot]
                if readings.states[i] == State.SEEN:
                    self._taken[slot].times_s.append(readings.at_s)
                    self._taken[slot].values.append(readings.values[i])

    def changes(self, visits: Sequence[Visit], until_s: float) -> Iterator[Change]:
        """Raised on the night after a drift was detected, cleared on the first night that found it gone."""
        repairs = [Repair(one.at_s, one.pole, "owner", one.words) for one in visits]
        offset_s = standard_offset_s(self._design.zone, until_s)
        today = day_of(until_s, offset_s)
        for slot in self._watched:
            book = Book()
            for day, verdict in self._nights(slot, repairs, offset_s, today):
                night_s = (day + 1) * DAY_S - offset_s + NIGHT_S
                book, found = step(book, of_verdicts({slot: verdict}, self._watched), night_s)
                yield from found

    def _nights(
        self, slot: Slot, repairs: Sequence[Repair], offset_s: int, today: int
    ) -> Iterator[tuple[int, Verdict]]:
        """Nights on which a verdict may have changed: when a drift was detected, and when a reset was first judged."""
        one, whole = self._watched[slot], self._features(slot, offset_s)
        resets = [reset.day for reset in resets_of(slot, one, repairs, (), offset_s)]

        def judged(day: int) -> Verdict:
            part = Features(*(getattr(whole, name)[whole.days <= day] for name in Features.__slots__))
            return verdict_of(slot, one, part, [reset for reset in resets if reset <= day])

        for end in [*(reset - 1 for reset in resets), today - 1]:
            found = judged(end)
            nights = [] if found.drift is None else [min(end, found.drift.day + SIZE_DAYS)]
            segment = [] if found.judged is None else [found.judged.segments[-1] + BASELINE_DAYS]
            for day in sorted({day for day in [*segment, *nights] if day <= end}):
                yield day, judged(day)

    def _features(self, slot: Slot, offset_s: int) -> Features:
        taken, beside = self._taken[slot], temperature_of(slot)
        warmth = None if beside is None else self._taken[beside]
        times = np.array(taken.times_s, np.float64)
        warm = None
        if warmth is not None and warmth.times_s:
            warm = np.interp(times, np.array(warmth.times_s), np.array(warmth.values))
        return daily(times, np.array(taken.values, np.float64), warm, offset_s)
