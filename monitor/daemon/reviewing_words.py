"""Days, slopes and what is left of a margin, in the words of the review."""

from datetime import UTC, datetime

from monitor.facts.words import at, say
from monitor.margins.drift import BASELINE_DAYS, LEAST_DAYS
from monitor.margins.kinds import Watched
from monitor.margins.verdict import Verdict

DAY_S = 86_400.0


def day(number: int) -> str:
    """A day since 1970 as people write it."""
    return at(datetime.fromtimestamp(number * DAY_S, UTC), "date")


def too_young(count: int) -> str:
    """That so many series are too young to be judged, and what a margin needs."""
    words = "Too young to be judged: {count} series. A margin needs {least} days of readings, {again} after a repair."
    return say(words, count=count, least=LEAST_DAYS, again=BASELINE_DAYS)


def slope(verdict: Verdict, one: Watched) -> str:
    """The slope of the last months with its range."""
    if verdict.slope is None:
        return ""
    s, unit = verdict.slope, one.kind.unit
    figures = {"slope": s.per_month, "unit": unit, "low": s.low_per_month, "high": s.high_per_month}
    if max(abs(s.low_per_month), abs(s.high_per_month)) >= 10:
        return say("{slope:+.0f} {unit} a month ({low:+.0f} to {high:+.0f})", **figures)
    return say("{slope:+.2g} {unit} a month ({low:+.2g} to {high:+.2g})", **figures)


def left(verdict: Verdict) -> str:
    """How long a margin lasts, as far as that can be said."""
    known = verdict.forecast
    if known is not None:
        words = "{p50:.0f} months ({p10:.0f} to {p90:.0f})"
        return say(words, p50=known.p50_months, p10=known.p10_months, p90=known.p90_months)
    if verdict.judged is not None and verdict.drift is None:
        return say("no end in sight")
    return say("cannot be said")
