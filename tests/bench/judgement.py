"""How good is the judgement? Drift, forecast and cause on campaigns of the simulated site; one JSON line each.

``python -m tests.bench.judgement series|cause [tuning|testing] [--folder DIR]``. Beside ours run, on the same series,
a straight line and a Kalman bank of local linear trends; beside the diagnosis, naive Bayes and an ordered rule list.
"""

import argparse
import json
import math
import random
import time
from pathlib import Path
from typing import Any

import numpy as np

from monitor.margins.drift import CannotSay, Drift, Judged
from monitor.margins.features import Features
from monitor.margins.forecast import MONTH_DAYS, Forecast, months_to_limit
from monitor.margins.kinds import KINDS, judged_as
from tests.bench import judgement_cause, judgement_site
from tests.bench.judgement_kalman import kalman_months
from tests.bench.judgement_series import Series, load

LEADS_MONTHS = (12, 6, 3, 1)
BAND = {12: 4.5, 6: 3.8, 3: 2.3, 1: 0.75}
EVERY_DAYS = 30
SOON_UNSEEN = 0.005
"""Chance that what does not drift ends within half a year; of the tuning campaigns."""


def interval(hits: int, n: int) -> list[float]:
    """Wilson's 95 % interval of a share, in percent: Wilson (1927), JASA 22, 209–212."""
    if not n:
        return [0.0, 100.0]
    z, p = 1.96, hits / n
    middle, half = p + z * z / (2 * n), z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return [round(100 * (middle - half) / (1 + z * z / n), 1), round(100 * (middle + half) / (1 + z * z / n), 1)]


def until(features: Features, day: int) -> Features:
    """Features up to a day."""
    keep = features.days <= day
    return Features(*(getattr(features, name)[keep] for name in Features.__slots__))


def judged_at(series: Series, day: int) -> Judged | None:
    """The series judged as it was known on a day."""
    features = until(series.features, day)
    first = int(series.features.days[0])
    resets = tuple(first + one for one in series.repairs if first + one <= day)
    try:
        return judged_as(KINDS[series.kind], features, series.limit, resets)[0]
    except CannotSay:
        return None


def first_drift(series: Series, day: int) -> Drift | None:
    """The first drift that would have been said up to a day, in any segment."""
    known = None
    for _ in range(20):
        judged = judged_at(series, day)
        if judged is not None and judged.drift is not None:
            known = judged.drift
        first = int(series.features.days[0])
        start = judged.segments[-1] if judged is not None else day - 28
        if start <= first + 35:
            return known
        day = start - 1
    return known


def _near_limit(one: Series, stop: int) -> tuple[int, float] | None:
    """The naive threshold: the first day on which raw light, volts or ohms are within 10 % of the margin's end."""
    base = float(np.median(one.features.midmean[:28]))
    limit = one.limit if one.limit is not None else 1.5 * base
    near = np.flatnonzero((one.features.days <= stop) & ((one.features.midmean - base) / (limit - base) > 0.9))
    return (int(one.features.days[near[0]]), 0.9) if len(near) else None


STEP_FAULTS = ("dirty-connector", "fibre-bend", "corroded-joint")
COUNTS = ("false", "found", "used", "ahead", "step_days", "threshold_found", "threshold_ahead")


def _healthy(one: Series, row: dict[str, list[float]]) -> float:
    """Judge a healthy series over all its time; the years that it has."""
    first, last = int(one.features.days[0]), int(one.features.days[-1])
    row["false"].append(float(first_drift(one, last) is not None))
    return (last - first) / 365.25


def _drifting(one: Series, row: dict[str, list[float]]) -> None:
    """Judge a series that wears, until it is repaired or ends."""
    first, last = int(one.features.days[0]), int(one.features.days[-1])
    stop = first + one.repairs[0] - 1 if one.repairs else last
    if one.true_used[: stop - first + 1].max() < GROWN[one.kind]:
        return  # it has not grown to anything in the time that there was
    drift, near = first_drift(one, stop), _near_limit(one, stop)
    row["found"].append(float(drift is not None))
    row["threshold_found"].append(float(near is not None))
    if one.end_day is not None and first + one.end_day <= stop and one.fault not in STEP_FAULTS:
        row["ahead"].append(float(drift is not None and drift.day - first <= one.end_day - 30))
        row["threshold_ahead"].append(float(near is not None and near[0] - first <= one.end_day - 30))
    if drift is None:
        return
    if one.fault in STEP_FAULTS:
        row["step_days"].append(drift.day - first - one.onset_day)
    else:
        row["used"].append(100 * float(one.true_used[min(drift.day - first, len(one.true_used) - 1)]))


GROWN = {"rx_dbm": 0.15, "bias_milliamperes": 0.15, "loop_ohms": 0.15, "held_watt_hours": 0.5}
"""Share of the margin that a fault must have used to count as one that should have been found."""


def detection(found: list[Series]) -> dict[str, Any]:
    """False alarms a healthy series-year; found, margin used at the alarm, months ahead, of the drifting ones."""
    years = 0.0
    by: dict[str, dict[str, list[float]]] = {}
    for one in found:
        row = by.setdefault(one.kind, {name: [] for name in COUNTS})
        if one.fault:
            _drifting(one, row)
        else:
            years += _healthy(one, row)
    whole = {name: [x for row in by.values() for x in row[name]] for name in COUNTS}
    return {
        "healthy_years": round(years, 1),
        "false_per_year": round(sum(whole["false"]) / years, 3),
        "n_healthy": len(whole["false"]),
        "n_drifting": len(whole["found"]),
        "found_percent": _percent(whole["found"]),
        "found_interval": interval(int(sum(whole["found"])), len(whole["found"])),
        "used_percent": round(float(np.median(whole["used"])), 1),
        "ahead_percent": _percent(whole["ahead"]),
        "ahead_n": len(whole["ahead"]),
        "step_days_p50_p90": [round(float(q), 1) for q in np.quantile(whole["step_days"], (0.5, 0.9))],
        "threshold_found_percent": _percent(whole["threshold_found"]),
        "threshold_ahead_percent": _percent(whole["threshold_ahead"]),
        "by_kind": {kind: _of_kind(row) for kind, row in by.items()},
    }


def _of_kind(row: dict[str, list[float]]) -> dict[str, Any]:
    return {
        "healthy": len(row["false"]),
        "false": int(sum(row["false"])),
        "drifting": len(row["found"]),
        "found_percent": _percent(row["found"]),
        "used_percent": round(float(np.median(row["used"])), 1) if row["used"] else None,
    }


def _percent(hits: list[float]) -> float | None:
    return round(100 * float(np.mean(hits)), 1) if hits else None


def _naive(one: Series, day: int) -> float | None:
    """The plain way: a straight line through the last 90 days of raw daily means; months until it meets the limit."""
    features = until(one.features, day)
    recent = features.days > day - 90
    if recent.sum() < 30:
        return None
    slope, level = np.polyfit(features.days[recent] - day, features.midmean[recent], 1)
    left = (one.limit if one.limit is not None else 1.5 * features.midmean[:28].mean()) - level
    return float(left / slope / MONTH_DAYS) if slope and left / slope > 0 else None


METHODS = ("mixture", "kalman", "line")
At = tuple[str, int]


def _forecast(one: Series, judged: Judged | None) -> Forecast | str:
    kind = KINDS[one.kind]
    return months_to_limit(judged, block_days=kind.block_days, prior=kind.prior) if judged else "nothing can be said"


def _place(said: Forecast, truth: float) -> float:
    """Where in a forecast's distribution the truth lay, 0 to 1: the probability integral transform."""
    known = [0, said.p10_months, said.p50_months, said.p90_months, 120]
    return float(np.interp(truth, known, [0, 0.1, 0.5, 0.9, 1]))


class _Tally:
    """Errors and coverages by method and lead."""

    def __init__(self) -> None:
        self.errors: dict[At, list[float]] = {(m, lead): [] for m in METHODS for lead in LEADS_MONTHS}
        self.covered: dict[At, list[bool]] = {(m, lead): [] for m in METHODS for lead in LEADS_MONTHS}
        self.asked = dict.fromkeys(LEADS_MONTHS, 0)
        self.places: list[float] = []
        self.cpu_s, self.runs = 0.0, 0

    def ask(self, one: Series, lead: int, left_days: float) -> None:
        """All methods at one moment of one series."""
        assert one.end_day is not None, "only series with an end are asked"
        day = int(one.features.days[0]) + int(one.end_day - left_days)
        if day - int(one.features.days[0]) < 60:
            return
        self.asked[lead] += 1
        truth = left_days / MONTH_DAYS
        started = time.process_time()
        judged = judged_at(one, day)
        said = _forecast(one, judged)
        self.cpu_s, self.runs = self.cpu_s + time.process_time() - started, self.runs + 1
        if isinstance(said, Forecast):
            self.places.append(_place(said, truth))
        for method, answer in (("mixture", said), ("kalman", kalman_months(judged) if judged else "?")):
            if isinstance(answer, Forecast):
                self.errors[method, lead].append(abs(answer.p50_months - truth))
                self.covered[method, lead].append(answer.p10_months <= truth <= answer.p90_months)
        line = _naive(one, day)
        if line is not None:
            self.errors["line", lead].append(abs(line - truth))

    def row(self, method: str, lead: int) -> dict[str, Any]:
        """One line of the report."""
        errors, covered = self.errors[method, lead], self.covered[method, lead]
        return {
            "n": len(errors),
            "asked": self.asked[lead],
            "median_error_months": round(float(np.median(errors)), 2) if errors else None,
            "covered_percent": round(100 * float(np.mean(covered)), 1) if covered else None,
            "covered_interval": interval(sum(covered), len(covered)),
        }


def forecasts(found: list[Series]) -> dict[str, Any]:
    """Errors and coverage at 12, 6, 3 and 1 months before the end, of ours and of the others."""
    tally = _Tally()
    for one in found:
        if one.end_day is None or one.repairs:
            continue
        for lead in LEADS_MONTHS:
            for shift in (-10, 0, 10):
                tally.ask(one, lead, lead * MONTH_DAYS + shift)
    report: dict[str, Any] = {m: {str(lead): tally.row(m, lead) for lead in LEADS_MONTHS} for m in METHODS}
    report["probability_integral"] = np.histogram(tally.places, bins=[0, 0.1, 0.5, 0.9, 1.0])[0].tolist()
    report["cpu_ms"] = round(1000 * tally.cpu_s / max(tally.runs, 1), 2)
    return report


def honesty(found: list[Series]) -> dict[str, Any]:
    """On how many days does a healthy series show a date? And how good is "within six months" against climatology?"""
    chance = random.Random("honesty")  # physics, not secrets
    shown, days = 0, 0
    scores, climate, outcomes = [], [], []
    for one in found:
        first, last = int(one.features.days[0]), int(one.features.days[-1])
        for day in range(first + 90, last - 190, EVERY_DAYS * 2):
            if one.fault and chance.random() < 0.3:
                continue
            judged = judged_at(one, day)
            said = _forecast(one, judged)
            dated = isinstance(said, Forecast)
            if not one.fault:
                days, shown = days + 1, shown + dated
            end = one.end_day if not one.repairs else None
            if end is not None and first + end <= day:
                continue
            truth = float(end is not None and first + end <= day + 183)
            p = _place(said, 6.0) if isinstance(said, Forecast) else SOON_UNSEEN
            scores.append((p - truth) ** 2)
            outcomes.append(truth)
    rate = float(np.mean(outcomes))
    climate = [(rate - truth) ** 2 for truth in outcomes]
    return {
        "healthy_days": days,
        "healthy_days_with_a_date_percent": round(100 * shown / max(days, 1), 2),
        "brier_over_climatology": round(float(np.mean(scores) / np.mean(climate)), 3),
        "brier_n": len(scores),
    }


def series(kind: str, folder: Path) -> None:
    """All figures of one set of seeds."""
    found = load(kind, folder)
    line = {"bench": "judgement", "seeds": kind, "n": len(found), "detection": detection(found)}
    line |= {"forecast": forecasts(found), "honesty": honesty(found)}
    print(json.dumps(line))


def cause(kind: str) -> None:
    """All figures of the diagnosis: a world of table plus errors, and the simulated site."""
    table = judgement_cause.measure({"tuning": 1, "testing": 2}[kind], 6000)
    print(json.dumps({"bench": "judgement", "what": "cause", "seeds": kind, "world": "table plus errors", **table}))
    site = judgement_site.measure({"tuning": range(1, 9), "testing": range(101, 109)}[kind])
    print(json.dumps({"bench": "judgement", "what": "cause", "seeds": kind, "world": "simulated site", **site}))


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("series", "cause"))
    parser.add_argument("seeds", choices=("tuning", "testing"), nargs="?", default="testing")
    parser.add_argument("--folder", type=Path, default=Path(".judgement"))
    given = parser.parse_args()
    if given.what == "series":
        series(given.seeds, given.folder)
    else:
        cause(given.seeds)


if __name__ == "__main__":
    main()
