"""A value against its limit: how far from it, on which side, and how it stands."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from monitor.facts.readings import Layout, Round, Slot, State
from monitor.margins.limits import Limit


class Standing(Enum):
    """How a margin stands, in the words that people see."""

    INSIDE = "inside"
    CLOSE = "close to limit"
    PAST = "past limit"
    NO_VALUE = "no value"


@dataclass(frozen=True, slots=True)
class Margin:
    """A judged slot. ``margin`` is positive inside the limit; ``side`` says which limit is nearer.

    ``beside_plan`` is how far the value lies outside what the plan expects (0 within it, negative below).
    """

    slot: Slot
    at_s: float
    value: float | None
    margin: float | None
    side: str
    standing: Standing
    beside_plan: float = 0.0
    missing: State | None = None


def judge(limit: Limit, value: float, at_s: float, before: Standing = Standing.INSIDE) -> Margin:
    """Judge one value; a better standing than ``before`` is reached only beyond the deadband.

    >>> from monitor.facts.readings import Slot
    >>> light = Limit(Slot("creek/optic/5", "rx_dbm"), -19.5, -3.0, 3.0, 0.5, (-12.3, -6.3), "a standard")
    >>> judge(light, -18.0, 0.0).standing.value, judge(light, -16.2, 0.0, Standing.CLOSE).standing.value
    ('close to limit', 'close to limit')
    >>> judge(light, -math.inf, 0.0).standing.value
    'past limit'
    """
    below = math.inf if limit.low is None else value - limit.low
    above = math.inf if limit.high is None else limit.high - value
    margin, side = (below, "low") if below <= above else (above, "high")
    worse = limit.deadband if before is Standing.PAST else 0.0
    if margin < worse:
        standing = Standing.PAST
    else:
        worse = limit.deadband if before in (Standing.PAST, Standing.CLOSE) else 0.0
        standing = Standing.CLOSE if margin < limit.close + worse else Standing.INSIDE
    beside = 0.0
    if limit.expected is not None:
        low, high = limit.expected
        beside = min(value - low, 0.0) or max(value - high, 0.0)
    return Margin(limit.slot, at_s, value, margin, side, standing, beside)


class Judge:
    """Judges rounds by the limits of a plan. Which slots of a layout have limits is looked up once."""

    def __init__(self, limits: Mapping[Slot, Limit]) -> None:
        self.limits = limits
        self._limited: dict[int, tuple[Layout, list[tuple[int, Limit]]]] = {}

    def limited(self, layout: Layout) -> list[tuple[int, Limit]]:
        """The slots of a layout that have a limit, by place."""
        known = self._limited.get(id(layout))
        if known is None or known[0] is not layout:
            found = [(i, self.limits[slot]) for i, slot in enumerate(layout.slots) if slot in self.limits]
            if len(self._limited) > _MOST_LAYOUTS:
                self._limited.clear()
            known = self._limited[id(layout)] = (layout, found)
        return known[1]

    def round(self, readings: Round, before: Mapping[Slot, Margin]) -> dict[Slot, Margin]:
        """Judge every slot of a round that has a limit."""
        judged: dict[Slot, Margin] = {}
        for i, limit in self.limited(readings.layout):
            slot = limit.slot
            if readings.states[i] != State.SEEN:
                missing = State(readings.states[i])
                judged[slot] = Margin(slot, readings.at_s, None, None, "", Standing.NO_VALUE, 0.0, missing)
                continue
            earlier = before.get(slot)
            standing = earlier.standing if earlier else Standing.INSIDE
            judged[slot] = judge(limit, readings.values[i], readings.at_s, standing)
        return judged


_MOST_LAYOUTS = 10_000
