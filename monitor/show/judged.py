"""Causes and verdicts as documents and as lines for a terminal."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime, tzinfo
from typing import Any

from monitor.alarms.advice import ADVICE
from monitor.alarms.book import Alarm, Key
from monitor.alarms.cause import Cause
from monitor.facts.readings import Slot
from monitor.facts.words import Moment, say
from monitor.margins.kinds import Watched
from monitor.margins.verdict import Next, Verdict
from monitor.show.views import finite


def cause_view(cause: Cause, of: Key | None = None) -> dict[str, Any]:
    """A cause, and the alarm it is of: every suspect with its probability, what speaks for it, what to look at first
    and to take along."""
    first = cause.suspects[:2]
    apart = [one.fault for one in first] if cause.check else []
    told: dict[str, Any] = finite(
        {
            "causes": [
                {
                    "fault": one.fault,
                    "id": one.number,
                    "probability": round(one.percent / 100, 4),
                    "words": one.words,
                    "evidence": list(cause.evidence),
                    "look_first": ADVICE[one.fault].look_first,
                    "van_list": list(ADVICE[one.fault].van_list),
                    "cautions": list(ADVICE[one.fault].cautions),
                }
                for one in cause.suspects
            ],
            "sentence": cause.sentence,
            "certainty": cause.certainty,
            "cannot_tell": {"between": apart, "check_first": cause.check} if cause.check else None,
            "unknown_fault": cause.unknown_fault,
            "alarm": None if of is None else asdict(of),
        }
    )
    return told


def nothing_stands(place: str) -> dict[str, Any]:
    """The same document where there is nothing to explain."""
    sentence = say("no alarm stands at {place}", place=place)
    return {"causes": [], "sentence": sentence, "certainty": "", "cannot_tell": None, "unknown_fault": False}


def past_view(alarm: Alarm, zone: tzinfo) -> dict[str, Any]:
    """An alarm that is over, as history: from when to when it stood, what its cause was held to be, what settled it."""
    began, ended = (Moment(datetime.fromtimestamp(at_s, zone), "brief") for at_s in (alarm.raised_s, alarm.changed_s))
    return {
        "alarm": asdict(alarm.key),
        "raised_s": alarm.raised_s,
        "cleared_s": alarm.changed_s,
        "stood": say("from {began} to {ended}", began=began, ended=ended),
        "certainty": alarm.cause.certainty if alarm.cause else "",
        "sentence": alarm.cause.sentence if alarm.cause else alarm.text,
        "settled": alarm.settled,
    }


def cause_lines(told: Mapping[str, Any]) -> str:
    """The same for a terminal."""
    heads = {"most likely": "Most likely ", "cannot tell": "Cannot be told from here: ", "": ""}
    lines = [f"{heads[told['certainty']]}{told['sentence']}."]
    if told["unknown_fault"]:
        lines.append("What is seen fits nothing that is known well: it may be something else altogether.")
    for one in told["causes"]:
        lines.append(f"  {100 * one['probability']:5.1f} %  {one['fault']}: {one['words']}")
    if told["causes"]:
        lines += [f"seen: {line}" for line in told["causes"][0]["evidence"]]
    if told["cannot_tell"]:
        lines.append(f"check first: {told['cannot_tell']['check_first']}")
    if told["causes"]:
        first = told["causes"][0]
        lines += [f"look first: {first['look_first']}", f"take along: {', '.join(first['van_list'])}"]
        lines += [f"caution: {line}" for line in first["cautions"]]
    return "\n".join([*lines, *map(_past_line, told.get("past", ()))])


def _past_line(one: Mapping[str, Any]) -> str:
    settled = f"; settled: {one['settled']}" if one["settled"] else ""
    return f"past: {one['alarm']['resource']} {one['alarm']['type']} {one['stood']}: {one['sentence']}{settled}"


def judged_view(
    verdicts: Mapping[Slot, Verdict], watched: Mapping[Slot, Watched], order: Sequence[Next]
) -> dict[str, Any]:
    """The nightly judgement as one document."""
    told: dict[str, Any] = finite(
        {
            "next": [
                {
                    "pole": one.pole,
                    "expected_loss": round(one.risk, 3),
                    "series": [f"{s.resource}:{s.quantity}" for s in one.slots],
                }
                for one in order
            ],
            "series": [_verdict(slot, verdict, watched[slot]) for slot, verdict in sorted(verdicts.items())],
        }
    )
    return told


def _verdict(slot: Slot, verdict: Verdict, one: Watched) -> dict[str, Any]:
    judged, drift, slope, known = verdict.judged, verdict.drift, verdict.slope, verdict.forecast
    return {
        "series": f"{slot.resource}:{slot.quantity}",
        "pole": verdict.pole,
        "words": one.kind.words,
        "unit": one.kind.unit,
        "limit": verdict.limit_in_unit,
        "limit_source": one.source,
        "baseline": None
        if judged is None
        else {"from": _date(judged.baseline.from_day), "value": round(judged.baseline.value, 4)},
        "used_percent": None if verdict.used_percent is None else round(verdict.used_percent, 1),
        "drift": None
        if drift is None
        else {
            "detected_at": _date(drift.day),
            "onset": _date(drift.onset_day),
            "kind": drift.kind,
            "effect": round(drift.effect, 4),
            "unit": one.kind.unit,
        },
        "slope_per_month": None
        if slope is None
        else {
            "value": round(slope.per_month, 4),
            "low": round(slope.low_per_month, 4),
            "high": round(slope.high_per_month, 4),
        },
        "months_to_limit": None
        if known is None
        else {"p10": round(known.p10_months, 1), "p50": round(known.p50_months, 1), "p90": round(known.p90_months, 1)},
        "course": None if known is None else known.course.value,
        "reason": verdict.reason or None,
        "lost_in": verdict.whence or None,
    }


def judged_lines(told: Mapping[str, Any]) -> str:
    """The same for a terminal: the poles to visit first, then what drifts, then what nothing is said of."""
    if not told["series"]:
        return "nothing has been judged yet: that needs whole days of readings, and is done after midnight"
    lines = []
    for i, one in enumerate(told["next"], 1):
        lines.append(f"{i}. {one['pole']}")
        lines += [f"   {_line(s)}" for s in told["series"] if s["series"] in one["series"]]
    if not told["next"]:
        lines.append("no margin drifts: no end in sight")
    open_ones = [s for s in told["series"] if s["baseline"] is None]
    quiet = len(told["series"]) - len(open_ones) - sum(s["drift"] is not None for s in told["series"])
    lines.append(f"{quiet} more series are judged and stand as at their baseline")
    lines += [f"{s['series']}: nothing can be said: {s['reason']}" for s in open_ones]
    return "\n".join(lines)


def _line(s: Mapping[str, Any]) -> str:
    drift, months = s["drift"], s["months_to_limit"]
    words = f"{s['words']} ({s['series']}): {s['used_percent']:g} % of the margin used"
    if drift is not None:
        words += f", {'a step' if drift['kind'] == 'step' else 'slowly'} since {drift['onset']}"
    if months is not None:
        return f"{words}; used up in {months['p50']:g} months, most likely ({months['p10']:g} to {months['p90']:g})"
    return f"{words}; {s['reason']}"


def _date(day: int) -> str:
    return datetime.fromtimestamp(day * 86_400, UTC).date().isoformat()
