"""``farpole forecast``: judges any series that a user brings against a limit, without a daemon."""

import csv
import json
import math
import sys
from argparse import Namespace
from datetime import UTC, date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from monitor.cli.client import NoDaemon, SaidNo, call
from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, data_directory
from monitor.history.files import when
from monitor.margins.drift import CannotSay, Judged, judge
from monitor.margins.features import Features, Floats, daily
from monitor.margins.forecast import Forecast, months_to_limit
from monitor.show.judged import judged_lines

_EPOCH = date(1970, 1, 1)


def main(given: Namespace) -> int:
    """Print the nightly judgement, or judge one table; exit status 1 where nothing can be said."""
    if given.csv is None:
        return _live(given)
    if given.limit is None:
        print("farpole: give the table's limit: --limit L", file=sys.stderr)
        return BAD_INPUT
    try:
        times, values, temperatures, notes = read(given.csv, given.temperature)
        resets = (_day(given.baseline_until),) if given.baseline_until else ()
    except ValueError as error:
        print(f"farpole: {error}", file=sys.stderr)
        return BAD_INPUT
    except OSError as error:
        print(f"farpole: {given.csv}: {error.strerror}", file=sys.stderr)
        return BAD_INPUT
    features = daily(times, values, temperatures)
    below = given.limit_below or (not given.limit_above and len(features) > 0 and _falls_to(features, given.limit))
    answer: dict[str, Any] = {"series": given.csv.name, "limit": given.limit, "side": "below" if below else "above"}
    try:
        judged = judge(features, given.limit, below, resets)
    except CannotSay as why:
        answer |= {"drift": None, "months_to_limit": None, "reason": str(why), "baseline": None, "segments": []}
        judged = None
    if judged is not None:
        answer |= _answer(judged, given.unit)
    answer["notes"] = notes
    print(json.dumps(answer, ensure_ascii=False, indent=1) if given.json else _words(answer))
    return OK if judged is not None else FAILED


def _live(given: Namespace) -> int:
    try:
        told = call(given.data or data_directory(), "/forecasts")
    except NoDaemon as none:
        print(f"farpole: {none}; for a table of your own give --csv FILE --limit L", file=sys.stderr)
        return NO_DAEMON
    except SaidNo as no:
        print(f"farpole: {no}", file=sys.stderr)
        return FAILED
    print(json.dumps(told, ensure_ascii=False, indent=1) if given.json else judged_lines(told))
    return OK if told["series"] else FAILED


def read(file: Path, temperature: str | None) -> tuple[Floats, Floats, Floats | None, list[str]]:
    """Times (UTC seconds), values, temperatures, and what was odd; raises ValueError with line and column."""
    times: list[float] = []
    values: list[float] = []
    temperatures: list[float] = []
    with file.open(encoding="utf-8-sig", newline="") as opened:
        reader = csv.DictReader(opened)
        names = reader.fieldnames or ()
        column = temperature or ("temperature" if "temperature" in names else None)
        lacking = [name for name in ("time", "value", *([column] if column else [])) if name not in names]
        if lacking:
            raise ValueError(f"{file}: line 1: there is no column {', '.join(lacking)}; it has {', '.join(names)}")
        for row in reader:
            where = f"{file}: line {reader.line_num}"
            times.append(when(row["time"], UTC, f"{where}: time"))
            values.append(_number(row["value"], f"{where}: value"))
            temperatures.append(_number(row[column], f"{where}: {column}") if column else math.nan)
    notes = []
    backward = int((np.diff(times) < 0).sum()) if len(times) > 1 else 0
    if backward:
        notes.append(f"time goes back {backward} times; the readings were put in order")
    gone = sum(not math.isfinite(value) for value in values)
    if gone:
        notes.append(f"{gone} of {len(values)} values are empty or infinite and were left out")
    return np.array(times), np.array(values), np.array(temperatures) if column else None, notes


def _number(text: str | None, where: str) -> float:
    text = (text or "").strip()
    if not text:
        return math.nan
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"{where}: {text!r} is not a number") from None


def _falls_to(features: Features, limit: float) -> bool:
    """Does the limit lie below the first values?"""
    return bool(np.median(features.midmean[:28]) > limit)


def _day(text: str) -> int:
    try:
        return (date.fromisoformat(text) - _EPOCH).days + 1
    except ValueError:
        raise ValueError(f"--baseline-until {text}: not a date; write 2026-07-01") from None


def _date(day: int) -> str:
    return (_EPOCH + timedelta(days=day)).isoformat()


def _answer(judged: Judged, unit: str) -> dict[str, Any]:
    drift, found = judged.drift, months_to_limit(judged)
    told = None
    if drift is not None:
        told = {
            "detected_at": _date(drift.day),
            "onset": _date(drift.onset_day),
            "kind": drift.kind,
            "effect": round(drift.effect, 4),
            "unit": unit,
        }
    known = isinstance(found, Forecast)
    return {
        "drift": told,
        "months_to_limit": {k: round(getattr(found, f"{k}_months"), 1) for k in ("p10", "p50", "p90")}
        if known
        else None,
        "reason": None if known else found,
        "used_percent": round(100 * judged.used_lately, 1),
        "baseline": {
            "from": _date(judged.baseline.from_day),
            "value": round(judged.baseline.value, 4),
            "sigma": round(judged.baseline.sigma, 5),
            "at_temperature": None if judged.baseline.at_c is None else round(judged.baseline.at_c, 1),
            "per_kelvin": round(judged.beta, 5),
        },
        "segments": [_date(day) for day in judged.segments],
    }


def _words(answer: dict[str, Any]) -> str:
    lines = []
    if answer["baseline"]:
        base = answer["baseline"]
        used = answer["used_percent"]
        lines.append(f"baseline {base['value']:g} since {base['from']}; {used:g} % of the margin is used")
    drift = answer["drift"]
    if drift:
        what = {"step": "a step", "ramp": "a slow change"}[drift["kind"]]
        size = f"{drift['effect']:g} {drift['unit']}".rstrip()
        lines.append(f"{what} of {size} since {drift['onset']}")
    months = answer["months_to_limit"]
    if months:
        lines.append(
            f"the limit is reached in {months['p50']:g} months, most likely; one in ten such sooner than "
            f"{months['p10']:g}, one in ten later than {months['p90']:g}"
        )
    else:
        lines.append(f"no date: {answer['reason']}")
    return "\n".join([*lines, *answer["notes"]])
