"""The newest reading of every slot, in memory: what pages, judgement and diagnosis look at first."""

import math
from array import array
from collections.abc import Iterator

from monitor.facts.readings import Layout, Reading, Round, Slot, State


class _Seen:
    """The newest values that were really seen of one layout, and when, as columns."""

    __slots__ = ("at_s", "layout", "values")

    def __init__(self, layout: Layout, older: "_Seen | None") -> None:
        n = len(layout.slots)
        self.layout = layout
        self.values = array("d", [math.nan]) * n
        self.at_s = array("d", [-math.inf]) * n
        for i, slot in enumerate(layout.slots):  # a device that has been learnt again keeps what was known
            at = older.layout.index.get(slot) if older else None
            if older is not None and at is not None:
                self.values[i], self.at_s[i] = older.values[at], older.at_s[at]

    def take(self, readings: Round) -> None:
        """Take what a round has seen."""
        values, at_s, now_s = self.values, self.at_s, readings.at_s
        for i, state in enumerate(readings.states):
            if not state:
                values[i] = readings.values[i]
                at_s[i] = now_s


class Latest:
    """Newest reading of every slot, and the newest value that was really seen."""

    def __init__(self) -> None:
        self._rounds: dict[tuple[str, str], Round] = {}
        self._where: dict[Slot, tuple[str, str]] = {}
        self._seen: dict[tuple[str, str], _Seen] = {}
        self.heard_s: float | None = None
        """When any device last gave a value that can be right (UTC seconds since 1970)."""

    def take(self, readings: Round) -> None:
        """Take a device's round; it replaces the device's earlier round of the same tier."""
        key = (readings.layout.device, readings.layout.tier)
        seen = self._seen.get(key)
        if seen is None or seen.layout is not readings.layout:
            self._where.update(dict.fromkeys(readings.layout.slots, key))
            seen = self._seen[key] = _Seen(readings.layout, seen)
        self._rounds[key] = readings
        seen.take(readings)
        if State.SEEN in readings.states and (self.heard_s is None or readings.at_s > self.heard_s):
            self.heard_s = readings.at_s

    def newest(self, device: str, tier: str) -> Round | None:
        """A device's newest round of a tier."""
        return self._rounds.get((device, tier))

    def reading(self, slot: Slot) -> Reading | None:
        """The newest reading, or None where nothing was asked."""
        key = self._where.get(slot)
        if key is None:
            return None
        readings = self._rounds[key]
        i = readings.layout.index.get(slot)
        return None if i is None else readings.reading(i)

    def value(self, slot: Slot, since_s: float) -> float | None:
        """The newest value, if it was seen at or after ``since_s`` (UTC seconds)."""
        known = self.last_seen(slot)
        return known[0] if known is not None and known[1] >= since_s else None

    def last_seen(self, slot: Slot) -> tuple[float, float] | None:
        """The newest value that was seen and when, however old."""
        key = self._where.get(slot)
        seen = self._seen[key] if key is not None else None
        i = seen.layout.index.get(slot) if seen is not None else None
        if seen is None or i is None or seen.at_s[i] == -math.inf:
            return None
        return seen.values[i], seen.at_s[i]

    def __iter__(self) -> Iterator[Reading]:
        return (reading for readings in self._rounds.values() for reading in readings)
