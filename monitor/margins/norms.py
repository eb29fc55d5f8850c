"""What is usual of each reading lately, and when something last moved: the background of a sudden change.

Kept in memory only: a slow mean of levels over a day or two, the last rise of counts, the last changes of states.
"""

import math
from array import array
from collections import deque
from dataclasses import dataclass, field

from monitor.facts.quantities import QUANTITIES
from monitor.facts.readings import Layout, Round, Slot

TAU_S = 86_400.0
"""How slowly a norm follows: a step is seen beside it for about a day, a drift over weeks is not (common practice)."""
SETTLED_S = 6 * 3600.0
"""How long a level must have been seen before anything is compared with it."""
WEEK_S = 7 * 86_400.0
MOST_CHANGES = 24
PEAK_DAYS = 5
LEVELS = frozenset(
    (
        "rx_dbm",
        "tx_dbm",
        "bias_milliamperes",
        "port_watts",
        "loop_ohms",
        "in_megabits_per_s",
        "stream_kilobits_per_s",
        "battery_percent",
    )
)
BY_HOUR = frozenset(("in_megabits_per_s", "port_watts"))
"""Levels that follow the hour and the day of the week: traffic of people, infrared and heaters by night."""
HOURS_OF_WEEK = 168
HOUR_TAU_S = 7200.0
STATES = frozenset(("link_state", "poe_port_state", "speed_megabits_per_s", "poe_class_state"))
COUNTS = frozenset(
    (
        "mps_absent_count",
        "invalid_signature_count",
        "power_denied_count",
        "overload_count",
        "short_count",
        "late_collision_frames",
        "topology_change_count",
    )
)
SWING_SHARE = 0.5
"""Of its norm: what a port's watts must move by to count as a fall or a rise."""


@dataclass(slots=True)
class _Level:
    mean: float
    since_s: float
    at_s: float
    value: float
    swings: deque[float] = field(default_factory=lambda: deque(maxlen=MOST_CHANGES))
    peaks: dict[int, float] = field(default_factory=dict)
    hours: "array[float] | None" = None
    """Of each hour of the week (of UTC, from Thursday midnight), where it matters; NaN where it has not been seen."""


@dataclass(slots=True)
class _State:
    value: float
    changed_s: deque[float] = field(default_factory=lambda: deque(maxlen=MOST_CHANGES))


class Norms:
    """Norms of the slots of every layout that is taken; which slots those are is looked up once per layout."""

    def __init__(self) -> None:
        self._watched: dict[int, tuple[Layout, list[tuple[int, Slot, str]]]] = {}
        self._levels: dict[Slot, _Level] = {}
        self._states: dict[Slot, _State] = {}
        self._counts: dict[Slot, tuple[float, float, float]] = {}

    def take(self, readings: Round) -> None:
        """Take a round."""
        for i, slot, kind in self._of(readings.layout):
            if readings.states[i]:
                continue
            value, at_s = readings.values[i], readings.at_s
            if kind == "level":
                self._level(slot, value, at_s)
            elif kind == "state":
                known = self._states.get(slot)
                if known is None:
                    self._states[slot] = _State(value)
                elif known.value != value:
                    known.value = value
                    known.changed_s.append(at_s)
            else:
                before, _, rose_s = self._counts.get(slot, (value, at_s, -math.inf))
                self._counts[slot] = (value, at_s, at_s if value > before else rose_s)

    def seed(self, slot: Slot, mean: float, at_s: float) -> None:
        """What history says is usual; it counts as settled."""
        self._levels.setdefault(slot, _Level(mean, at_s - SETTLED_S, at_s, mean))

    def _level(self, slot: Slot, value: float, at_s: float) -> None:
        if not math.isfinite(value):
            return
        known = self._levels.get(slot)
        if known is None:
            self._levels[slot] = _Level(value, at_s, at_s, value)
            return
        if slot.quantity == "battery_percent":
            day = int(at_s // 86_400)
            known.peaks[day] = max(value, known.peaks.get(day, value))
            for old in [d for d in known.peaks if d < day - PEAK_DAYS]:
                del known.peaks[old]
        if abs(value - known.value) > SWING_SHARE * max(abs(known.mean), 1.0):
            known.swings.append(at_s)
        elapsed_s = max(0.0, at_s - known.at_s)
        if slot.quantity in BY_HOUR:
            self._hour(known, value, at_s, elapsed_s)
        # While young, a plain mean of what was seen; later it follows slowly.
        share = 1 - math.exp(-elapsed_s / min(TAU_S, max(at_s - known.since_s, 1.0)))
        known.mean += share * (value - known.mean)
        known.at_s, known.value = at_s, value

    @staticmethod
    def _hour(known: _Level, value: float, at_s: float, elapsed_s: float) -> None:
        if known.hours is None:
            known.hours = array("d", [math.nan]) * HOURS_OF_WEEK
        at = int(at_s // 3600) % HOURS_OF_WEEK
        before = known.hours[at]
        share = 1 - math.exp(-elapsed_s / HOUR_TAU_S)
        known.hours[at] = value if math.isnan(before) else before + share * (value - before)

    def norm(self, slot: Slot, now_s: float) -> float | None:
        """What a level usually is, at this hour of the week where that matters and was seen a week ago; None where it
        has not been seen for long enough."""
        known = self._levels.get(slot)
        if known is None or now_s - known.since_s < SETTLED_S:
            return None
        if known.hours is not None and now_s - known.since_s > WEEK_S:
            usual = known.hours[int(now_s // 3600) % HOURS_OF_WEEK]
            return known.mean if math.isnan(usual) else usual
        return known.mean

    def swings(self, slot: Slot, since_s: float) -> int | None:
        """How often a level has moved by half its norm since a time; None where it is not known."""
        known = self._levels.get(slot)
        return None if known is None else sum(at >= since_s for at in known.swings)

    def peaks(self, slot: Slot, now_s: float, days: int) -> tuple[float, int] | None:
        """The highest value of the last days (of UTC) and of how many of them it is known; None where of none."""
        known = self._levels.get(slot)
        recent = {d: v for d, v in (known.peaks if known else {}).items() if d > now_s // 86_400 - days}
        return (max(recent.values()), len(recent)) if recent else None

    def changes(self, slot: Slot, since_s: float) -> int | None:
        """How often a state has changed since a time; None where it is not known."""
        known = self._states.get(slot)
        return None if known is None else sum(at >= since_s for at in known.changed_s)

    def rose(self, slot: Slot, since_s: float) -> bool | None:
        """Has a count risen since a time? None where it has not been read since."""
        known = self._counts.get(slot)
        return None if known is None or known[1] < since_s else known[2] >= since_s

    def _of(self, layout: Layout) -> list[tuple[int, Slot, str]]:
        known = self._watched.get(id(layout))
        if known is None or known[0] is not layout:
            found = [(i, slot, kind) for i, slot in enumerate(layout.slots) if (kind := _kind(slot.quantity))]
            if len(self._watched) > 10_000:
                self._watched.clear()
            known = self._watched[id(layout)] = (layout, found)
        return known[1]


_KIND = {**dict.fromkeys(LEVELS, "level"), **dict.fromkeys(STATES, "state"), **dict.fromkeys(COUNTS, "count")}
assert set(_KIND) <= set(QUANTITIES), "a norm of a quantity that there is not"


def _kind(quantity: str) -> str:
    return _KIND.get(quantity, "")
