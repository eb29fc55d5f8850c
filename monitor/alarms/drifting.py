"""Verdicts of the nightly judgement → conditions, with the sentence that people read."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Final

from monitor.alarms.book import Condition, Key
from monitor.alarms.states import Severity
from monitor.facts.readings import Slot
from monitor.facts.words import Moment, Said, listed, say
from monitor.margins.forecast import Course, Forecast
from monitor.margins.kinds import Watched
from monitor.margins.verdict import Verdict

SOON_MONTHS, NEAR_MONTHS = 1.0, 3.0
"""Below these to the median of the forecast a drift is major, or minor; else a warning (common practice)."""


WHENCE: Final = {
    "transmitter": say("the far end's laser sends less"),
    "receiver": say("one direction only: that end's receiver"),
    "connector": say("both directions alike: a connector"),
    "bend": say("the longer wavelength more: a bend"),
    "one fibre": say("one fibre of the pair only: its connectors first"),
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
    if verdict.used_up:
        return Severity.MAJOR
    months = verdict.forecast.p50_months if verdict.forecast else float("inf")
    return Severity.MAJOR if months < SOON_MONTHS else Severity.MINOR if months < NEAR_MONTHS else Severity.WARNING


def sentence(verdict: Verdict, one: Watched) -> str:
    """What has drifted since when, how much of its margin that used, and when it ends, if that can be said."""
    drift, kind = verdict.drift, one.kind
    assert drift is not None, "only what has drifted has a sentence"
    words = say(
        "{what}: a {way} of {size} since {day}, {used:.0f} % of its margin is used",
        what=kind.words,
        way=say("step") if drift.kind == "step" else say("slow change"),
        size=_size(abs(drift.effect), kind.unit),
        day=Moment(datetime.fromtimestamp(drift.onset_day * 86_400, UTC), "date"),
        used=verdict.used_percent or 0.0,
    )
    if verdict.whence in WHENCE:
        words = listed([words, WHENCE[verdict.whence]])
    if verdict.forecast is None:
        return listed([words, verdict.reason])
    return listed([words, _ends(verdict.forecast)])


def _ends(known: Forecast) -> Said:
    """When a margin is used up, and how that date comes about."""
    p10, p50, p90 = (_months(months) for months in (known.p10_months, known.p50_months, known.p90_months))
    range_ = {"p10": p10, "p50": p50, "p90": p90}
    if known.course is Course.EVEN:
        words = "at this rate it is used up in {p50} (one in ten before {p10}, one in ten after {p90})"
        return say(words, **range_)
    if known.course is Course.FASTER:
        words = "it has been getting faster: it is used up in {p50} (one in ten before {p10}, one in ten after {p90})"
        return say(words, **range_)
    if known.course is Course.PERHAPS_FASTER:
        words = "it may be getting faster: it is used up in {p50} (one in ten before {p10}, one in ten after {p90})"
        return say(words, **range_)
    return say("it is used up in {p50} (one in ten before {p10}, one in ten after {p90})", **range_)


def _size(effect: float, unit: str) -> str:
    if effect >= 100:
        return say("{effect:.0f} {unit}", effect=effect, unit=unit)
    return say("{effect:.2g} {unit}", effect=effect, unit=unit)


def _months(months: float) -> str:
    if months < 2:
        return say("{days:.0f} days", days=months * 30.4)
    return say("{months:.0f} months", months=months)
