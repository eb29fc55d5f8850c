"""Verdicts of the nightly judgement → conditions, with the sentence that people read."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Final

from monitor.alarms.book import Condition, Key
from monitor.alarms.states import Severity
from monitor.facts.readings import Slot
from monitor.margins.kinds import Watched
from monitor.margins.verdict import Verdict

SOON_MONTHS, NEAR_MONTHS = 1.0, 3.0
"""Below these to the median of the forecast a drift is major, or minor; else a warning (common practice)."""


WHENCE: Final = {
    "transmitter": "; the far end's laser sends less",
    "receiver": "; one direction only: that end's receiver",
    "connector": "; both directions alike: a connector",
    "bend": "; the longer wavelength more: a bend",
    "one fibre": "; one fibre of the pair only: its connectors first",
}
"""Where light was lost → how a sentence says it."""


def of_verdicts(verdicts: Mapping[Slot, Verdict], watched: Mapping[Slot, Watched]) -> Iterator[Condition]:
    """One condition a series; a series of which nothing can be said says nothing."""
    for slot, verdict in verdicts.items():
        key = Key(slot.resource, "margin-drifting", slot.quantity)
        if verdict.judged is None:
            continue
        if verdict.drift is None:
            yield Condition(key, None)
        else:
            yield Condition(key, _severity(verdict), sentence(verdict, watched[slot]))


def _severity(verdict: Verdict) -> Severity:
    if verdict.reason == "the margin is used up":
        return Severity.MAJOR
    months = verdict.forecast.p50_months if verdict.forecast else float("inf")
    return Severity.MAJOR if months < SOON_MONTHS else Severity.MINOR if months < NEAR_MONTHS else Severity.WARNING


def sentence(verdict: Verdict, one: Watched) -> str:
    """What has drifted since when, how much of its margin that used, and when it ends, if that can be said."""
    drift, kind = verdict.drift, one.kind
    assert drift is not None, "only what has drifted has a sentence"
    way = "step" if drift.kind == "step" else "slow change"
    used = verdict.used_percent or 0.0
    size = (
        f"{abs(drift.effect):.0f} {kind.unit}" if abs(drift.effect) >= 100 else f"{abs(drift.effect):.2g} {kind.unit}"
    )
    words = f"{kind.words}: a {way} of {size} since {_date(drift.onset_day)}, {used:.0f} % of its margin is used"
    words += WHENCE.get(verdict.whence, "")
    if verdict.forecast is None:
        return f"{words}; {verdict.reason}"
    known = verdict.forecast
    return (
        f"{words}; at this rate it is used up in {_months(known.p50_months)}"
        f" (one in ten before {_months(known.p10_months)}, one in ten after {_months(known.p90_months)})"
    )


def _months(months: float) -> str:
    return f"{months * 30.4:.0f} days" if months < 2 else f"{months:.0f} months"


def _date(day: int) -> str:
    return datetime.fromtimestamp(day * 86_400, UTC).strftime("%-d %b %Y")
