"""A value against its limit: how far from it, on which side, and how it stands."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from monitor.facts.readings import Round, Slot, State
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


def judge_round(limits: Mapping[Slot, Limit], readings: Round, before: Mapping[Slot, Margin]) -> dict[Slot, Margin]:
    """Judge every slot of a round that has a limit."""
    judged: dict[Slot, Margin] = {}
    states, values = readings.states, readings.values
    for i, slot in enumerate(readings.layout.slots):
        limit = limits.get(slot)
        if limit is None:
            continue
        if states[i] != State.SEEN:
            judged[slot] = Margin(slot, readings.at_s, None, None, "", Standing.NO_VALUE, 0.0, State(states[i]))
            continue
        earlier = before.get(slot)
        judged[slot] = judge(limit, values[i], readings.at_s, earlier.standing if earlier else Standing.INSIDE)
    return judged
