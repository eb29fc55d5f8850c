"""A reading, and a round of readings as columns.

A value is either seen, or it is missing in one of three ways that are never mixed: *silent* (no
answer), *absent* (the device has no such thing), *garbled* (an answer that cannot be right). None of
them is ever 0. What was not asked has no reading at all.
"""

import math
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import IntEnum
from typing import NamedTuple

from monitor.facts.quantities import QUANTITIES


class State(IntEnum):
    """How a reading came out. The numbers are kept in history and never change."""

    SEEN = 0
    SILENT = 1
    ABSENT = 2
    GARBLED = 3


class Slot(NamedTuple):
    """The place of one quantity of one resource in a device's round. A tuple, since it is looked up all the time."""

    resource: str
    quantity: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one quantity of one resource at one time (UTC seconds since 1970)."""

    resource: str
    quantity: str
    at_s: float
    state: State
    value: float | None = None
    why: str = ""

    def __post_init__(self) -> None:
        if (self.value is None) == (self.state is State.SEEN):
            raise ValueError(f"{self.resource} {self.quantity}: a value is given exactly when it was seen")


@dataclass(frozen=True, slots=True)
class Layout:
    """Which slots a device's round has, and in which order."""

    device: str
    tier: str
    slots: tuple[Slot, ...]
    index: dict[Slot, int] = field(default_factory=dict, compare=False, repr=False)
    low: "array[float]" = field(default_factory=lambda: array("d"), compare=False, repr=False)
    high: "array[float]" = field(default_factory=lambda: array("d"), compare=False, repr=False)
    """What each slot can hold at the least and at the most."""

    def __post_init__(self) -> None:
        self.index.update({slot: i for i, slot in enumerate(self.slots)})
        self.low.extend(QUANTITIES[slot.quantity].low for slot in self.slots)
        self.high.extend(QUANTITIES[slot.quantity].high for slot in self.slots)
        if len(self.index) != len(self.slots):
            raise ValueError(f"{self.device}: a slot stands twice in tier {self.tier}")


@dataclass(slots=True)
class Round:
    """One device's answers of one round: a column of values and a column of states.

    ``values[i]`` means something only where ``states[i]`` is ``State.SEEN``; elsewhere it is NaN.
    ``why`` says what was wrong with garbled slots.
    """

    layout: Layout
    at_s: float
    values: "array[float]"
    states: bytearray
    why: dict[int, str] = field(default_factory=dict)

    @classmethod
    def blank(cls, layout: Layout, at_s: float, state: State) -> "Round":
        """A round in which every slot is missing in the same way."""
        n = len(layout.slots)
        return cls(layout, at_s, array("d", [math.nan]) * n, bytearray([state]) * n)

    def put(self, i: int, value: float) -> None:
        """Take a value in slot ``i``; one that cannot exist is garbled and never kept as a number."""
        layout = self.layout
        if layout.low[i] <= value <= layout.high[i] or QUANTITIES[layout.slots[i].quantity].plausible(value):
            self.values[i] = value
            self.states[i] = State.SEEN
        else:
            quantity = QUANTITIES[layout.slots[i].quantity]
            unit = quantity.unit
            self.garble(i, f"{value:g} {unit} is outside {quantity.low:g} to {quantity.high:g} {unit}")

    def garble(self, i: int, why: str) -> None:
        """Say that slot ``i`` was answered by something that cannot be right."""
        self.values[i] = math.nan
        self.states[i] = State.GARBLED
        self.why[i] = why

    def get(self, slot: Slot) -> float | None:
        """The value seen in a slot, or None."""
        i = self.layout.index.get(slot)
        return self.values[i] if i is not None and self.states[i] == State.SEEN else None

    def reading(self, i: int) -> Reading:
        """Slot ``i`` as a reading for people and tests."""
        slot, state = self.layout.slots[i], State(self.states[i])
        value = self.values[i] if state is State.SEEN else None
        return Reading(slot.resource, slot.quantity, self.at_s, state, value, self.why.get(i, ""))

    def __iter__(self) -> Iterator[Reading]:
        return (self.reading(i) for i in range(len(self.layout.slots)))
