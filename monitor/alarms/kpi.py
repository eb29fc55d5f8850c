"""Figures of the alarm system itself (ISA-18.2-2016 clause 16, EEMUA 191): rate, floods, chattering, stale, top ten."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.alarms.book import Key

FLOOD, WINDOW_S = 10, 600.0
CHATTER, CHATTER_S = 3, 60.0
STALE_S = 86_400.0
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Happened:
    """One raise of an alarm: when, which, how severe, and when it cleared (None: it still stands)."""

    at_s: float
    key: Key
    severity: str
    cleared_s: float | None


@dataclass(frozen=True, slots=True)
class Figures:
    """Of a span of time. Shares are of all raises, in percent."""

    raised: int
    per_day: float
    most_in_ten_minutes: int
    floods: int
    flooded_percent: float
    """Of the time."""
    chattering: tuple[str, ...]
    stale: tuple[str, ...]
    top_ten: tuple[tuple[Key, int], ...]
    top_ten_percent: float
    by_severity: tuple[tuple[str, int], ...]


def figures(raises: Sequence[Happened], from_s: float, to_s: float) -> Figures:
    """The figures of the raises within a span.

    A flood is more than ten alarms in ten minutes; an alarm chatters that is raised three times or more in a minute;
    one is stale that stands for more than a day. Targets of ISA-18.2: about one alarm an hour for one operator, floods
    under 1 % of the time, no chattering, fewer than five stale; the ten most frequent under 5 % of all.
    """
    mine = sorted((one for one in raises if from_s <= one.at_s < to_s), key=lambda one: one.at_s)
    times = [one.at_s for one in mine]
    counts = Counter(one.key for one in mine)
    top = counts.most_common(10)
    most, floods, flooded_s = _floods(times)
    by_key: dict[str, list[float]] = {}
    for one in mine:
        by_key.setdefault(str(one.key), []).append(one.at_s)
    chattering = tuple(sorted(key for key, at in by_key.items() if _chatters(at)))
    stale = tuple(sorted({str(one.key) for one in raises if _stale(one, from_s, to_s)}))
    return Figures(
        len(mine),
        len(mine) / max((to_s - from_s) / DAY_S, 1e-9),
        most,
        floods,
        100 * flooded_s / max(to_s - from_s, 1e-9),
        chattering,
        stale,
        tuple(top),
        100 * sum(n for _, n in top) / len(mine) if mine else 0.0,
        tuple(Counter(one.severity for one in mine).most_common()),
    )


def _stale(one: Happened, from_s: float, to_s: float) -> bool:
    stood = one.at_s < to_s and (one.cleared_s is None or one.cleared_s > from_s)
    return stood and min(one.cleared_s or to_s, to_s) - one.at_s > STALE_S


def _floods(times: Sequence[float]) -> tuple[int, int, float]:
    """Most alarms in any ten minutes, how many floods there were, how long they lasted."""
    most, floods, flooded_s, first, until_s = 0, 0, 0.0, 0, float("-inf")
    for i, at_s in enumerate(times):
        while at_s - times[first] >= WINDOW_S:
            first += 1
        most = max(most, i - first + 1)
        if i - first + 1 > FLOOD:
            if times[first] > until_s:
                floods += 1
                flooded_s += at_s - times[first]
            else:
                flooded_s += at_s - until_s
            until_s = at_s
    return most, floods, flooded_s


def _chatters(times: Sequence[float]) -> bool:
    return any(b - a < CHATTER_S for a, b in zip(times, times[CHATTER - 1 :], strict=False))
