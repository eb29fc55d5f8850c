"""What two readings of a counter say: the increase and the rate, or nothing where it cannot be known."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.facts.quantities import QUANTITIES
from monitor.facts.readings import Layout, Round, Slot, State

_RATES = {
    "in_octets": ("in_megabits_per_s", 8e-6),
    "narrow_in_octets": ("in_megabits_per_s", 8e-6),
    "out_octets": ("out_megabits_per_s", 8e-6),
    "narrow_out_octets": ("out_megabits_per_s", 8e-6),
    "in_error_frames": ("in_error_frames_per_s", 1.0),
    "fcs_error_frames": ("fcs_error_frames_per_s", 1.0),
    "in_discard_frames": ("in_discard_frames_per_s", 1.0),
    "out_discard_frames": ("out_discard_frames_per_s", 1.0),
    "in_broadcast_frames": ("in_broadcast_frames_per_s", 1.0),
}
"""Counter → the quantity of its rate, and what an increase of one a second is in that."""
_LONGEST_S = 3600.0
"""Over a longer gap nobody knows how often a counter wrapped or a clock was set."""
OVER_SPEED = 1.1
"""A rate above the port's own speed by more than this is no rate: the counter was set or badly coded."""


def counter_increase(before: float, now: float, bits: int, restarted: bool = False) -> float | None:
    """How much a counter of 32 or 64 bits has grown; None where it restarted in between.

    A lower value means that it wrapped once: RFC 2863 section 3.1.6. A 32-bit octet counter wraps in 34 s at
    1 Gb/s, so 64-bit counters are asked for first.

    >>> counter_increase(4294967000, 704, 32)
    1000.0
    """
    if restarted:
        return None
    grown = now - before
    if grown >= 0:
        return float(grown)
    # A 64-bit counter does not wrap in a lifetime (RFC 2863): lower means it was reset.
    return float(grown + 2**32) if bits == 32 else None


def restarted_between(uptime_before_s: float, uptime_now_s: float, elapsed_s: float) -> bool:
    """Did the agent restart between two readings of its uptime [s], ``elapsed_s`` apart?

    Its uptime must have grown by about the time elapsed; sysUpTime itself wraps after 497 days (2³² hundredths
    of a second, RFC 2579), which is no restart. An agent's clock may run 5 % off, or 30 s late.

    >>> restarted_between(5000, 5060, 60), restarted_between(5000, 12, 60), restarted_between(42949660, 7, 20)
    (False, True, False)
    """
    wrap_s = 2**32 / 100
    expected = (uptime_before_s + elapsed_s) % wrap_s
    difference = min(abs(uptime_now_s - expected), wrap_s - abs(uptime_now_s - expected))
    return difference > (5.0 if uptime_now_s < uptime_before_s else max(30.0, 0.05 * elapsed_s))


@dataclass(frozen=True, slots=True)
class _Rate:
    """Where a counter stands in a round, where its rate goes, and what its port's speed and continuity are."""

    at: int
    scale: float
    bits: int
    speed_at: int
    since_at: int


class Rates:
    """Rates of one device's rounds; which slots have one is looked up once per layout."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[Layout, Layout, list[_Rate]]] = {}

    def round(self, before: Round | None, now: Round, started_s: float | None = None) -> Round | None:
        """The rates between two rounds of one layout, as a round of the tier ``rates``; None where there are none.

        ``started_s`` is when the agent last started (UTC seconds): an interval with a start in it is dropped, and
        so is a port's whose counters lost continuity (ifCounterDiscontinuityTime, RFC 2863).
        """
        if before is None or before.layout is not now.layout:
            return None
        elapsed_s = now.at_s - before.at_s
        layout, rates = self._of(now.layout)
        if not rates or not 0 < elapsed_s <= _LONGEST_S:
            return None
        made = Round.blank(layout, now.at_s, State.ABSENT)
        restarted = started_s is not None and started_s > before.at_s
        for i, rate in enumerate(rates):
            if now.states[rate.at] or before.states[rate.at]:
                made.states[i] = now.states[rate.at] or before.states[rate.at]
                continue
            broken = restarted or (rate.since_at >= 0 and before.values[rate.since_at] < now.values[rate.since_at])
            grown = counter_increase(before.values[rate.at], now.values[rate.at], rate.bits, broken)
            if grown is None:
                continue
            value = grown / elapsed_s * rate.scale
            speed = now.values[rate.speed_at] if rate.speed_at >= 0 and not now.states[rate.speed_at] else 0.0
            if rate.scale != 1.0 and 0 < speed * OVER_SPEED < value:
                made.garble(i, f"{value:.0f} Mb/s on a port of {speed:.0f} Mb/s: the counter was set or is badly coded")
            else:
                made.put(i, value)
        return made

    def _of(self, layout: Layout) -> tuple[Layout, list[_Rate]]:
        known = self._known.get(layout.device)
        if known is None or known[0] is not layout:
            slots: list[Slot] = []
            rates: list[_Rate] = []
            for at, slot in enumerate(layout.slots):
                found = _RATES.get(slot.quantity)
                if found is None:
                    continue
                speed_at = layout.index.get(Slot(slot.resource, "speed_megabits_per_s"), -1)
                since_at = layout.index.get(Slot(slot.resource, "counters_since_seconds"), -1)
                slots.append(Slot(slot.resource, found[0]))
                rates.append(_Rate(at, found[1], QUANTITIES[slot.quantity].counter_bits, speed_at, since_at))
            known = self._known[layout.device] = (layout, Layout(layout.device, "rates", tuple(slots)), rates)
        return known[1], known[2]


def of_line(times_s: Sequence[float], counters: Sequence[float]) -> list[float]:
    """Megabits per second between the points of a counter's line [octets]; NaN where it went back or was not seen.

    >>> of_line([0.0, 60.0, 120.0, 180.0], [0.0, 7.5e6, 1.5e7, 10.0])[1:3]
    [1.0, 1.0]
    """
    rates = [math.nan] * len(times_s)
    for i in range(1, len(times_s)):
        grown, elapsed_s = counters[i] - counters[i - 1], times_s[i] - times_s[i - 1]
        if grown >= 0 and elapsed_s > 0:
            rates[i] = grown / elapsed_s * 8e-6
    return rates
