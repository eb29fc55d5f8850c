"""The newest reading of every slot, in memory: what pages, judgement and diagnosis look at first."""

from collections.abc import Iterator

from monitor.facts.readings import Reading, Round, Slot, State


class Latest:
    """Newest reading of every slot, and the newest value that was really seen."""

    def __init__(self) -> None:
        self._rounds: dict[tuple[str, str], Round] = {}
        self._where: dict[Slot, tuple[str, str]] = {}
        self._seen: dict[Slot, tuple[float, float]] = {}

    def take(self, readings: Round) -> None:
        """Take a device's round; it replaces the device's earlier round of the same tier."""
        key = (readings.layout.device, readings.layout.tier)
        earlier = self._rounds.get(key)
        if earlier is None or earlier.layout is not readings.layout:
            self._where.update(dict.fromkeys(readings.layout.slots, key))
        self._rounds[key] = readings
        for i, slot in enumerate(readings.layout.slots):
            if readings.states[i] == State.SEEN:
                self._seen[slot] = (readings.values[i], readings.at_s)

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
        value, at_s = self._seen.get(slot, (0.0, float("-inf")))
        return value if at_s >= since_s else None

    def last_seen(self, slot: Slot) -> tuple[float, float] | None:
        """The newest value that was seen and when, however old."""
        return self._seen.get(slot)

    def __iter__(self) -> Iterator[Reading]:
        return (reading for readings in self._rounds.values() for reading in readings)
