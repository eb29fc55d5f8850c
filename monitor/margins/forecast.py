"""When a margin will be used up: futures from the mixture of onsets, as three quantiles, or the reason for none."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from monitor.facts.words import say
from monitor.margins.drift import Judged
from monitor.margins.onset import YEAR_DAYS, Mixture, mixture

Floats = NDArray[np.float64]
BLOCK_DAYS = 3
MOST_DAYS = 3650
PATHS = 400
MONTH_DAYS = 30.4375
WINDOW_DAYS = 730
LEAST_BLOCKS = 7
SURE_LOG_ODDS = 2.0
"""A date is shown only where a drift is likelier than none by this."""
WANDER, WANDER_DAYS = 0.6, 90.0
"""How far the logarithm of a drift's rate wanders in the future, and how long it remembers."""
STEP_DAYS = 10.0
CORRECTIONS = (
    (45.0, 0.13, -0.16),
    (120.0, 0.11, -0.2),
    (300.0, 0.07, -0.22),
    (700.0, 0.2, 0.0),
    (float("inf"), 0.0, 0.0),
)
"""Up to this predicted median [days]: by how much the forecast comes too late, and how much wider its interval is made
(below zero: narrower), in logarithms of (days + 1); learnt on the tuning campaigns of tests/bench/judgement, never on
those that are reported."""


EVEN_SHARE = 0.25
"""A date follows from the present rate where the two differ by no more than this share; no source."""
SURE_SHARE = 0.9
"""Of the weight of all shapes: from here on it is said for certain that a drift has been getting faster; no source."""


class Course(StrEnum):
    """How a forecast comes to its date."""

    EVEN = "even"
    """The present rate, going on, gives that date."""
    FASTER = "faster"
    """It comes sooner than that: what was measured has been getting faster."""
    PERHAPS_FASTER = "perhaps faster"
    """It comes sooner than that: what was measured goes with an even drift and with one that gets faster."""
    OPEN = "open"
    """Neither: it comes later than that, or nobody has looked."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """Months until the limit: one in ten ends before ``p10_months``, and so on."""

    p10_months: float
    p50_months: float
    p90_months: float
    course: Course = Course.OPEN


def months_to_limit(judged: Judged, seed: int = 1, block_days: int = BLOCK_DAYS, prior: float = 0.5) -> Forecast | str:
    """The forecast of a judged series, or the reason why there is none."""
    if judged.used_lately >= 1.0:
        return say("the margin is used up")
    if judged.drift is None:
        return say("no drift was detected")
    ages, used = blocks(judged, block_days)
    if len(used) < LEAST_BLOCKS:
        return say(
            "only {count} blocks of {days} days since its baseline; {least} are the least",
            count=len(used),
            days=block_days,
            least=LEAST_BLOCKS,
        )
    if judged.drift.kind == "step" and _flat(judged):
        return say("it was a step, and nothing has moved since")
    found = mixture(ages, used, prior)
    if found.log_odds < SURE_LOG_ODDS:
        low = np.quantile(ends(found, float(used[-3:].mean()), 1.5 * block_days, seed), 0.1) / MONTH_DAYS
        return say("no trend that is certain enough; at least {months:.0f} months", months=float(low))
    p10, p50, p90 = corrected(
        np.quantile(ends(found, float(used[-3:].mean()), 1.5 * block_days, seed), (0.1, 0.5, 0.9))
    )
    if p50 >= MOST_DAYS:
        return say("no end in sight: more likely than not later than {years} years from now", years=MOST_DAYS // 365)
    months = [float(max(0.0, days) / MONTH_DAYS) for days in (p10, p50, p90)]
    return Forecast(months[0], months[1], months[2], course_of(found, 1.0 - judged.used_lately, p50))


def course_of(found: Mixture, left: float, median_days: float) -> Course:
    """How a median [days] compares with the present rate of a mixture, of which ``left`` is the share of the margin."""
    slopes = found.rates * found.powers * (found.onset_days / YEAR_DAYS) ** (found.powers - 1) / YEAR_DAYS
    at_this_rate = float((found.weights * slopes).sum()) * median_days / left
    if abs(at_this_rate - 1) <= EVEN_SHARE:
        return Course.EVEN
    if at_this_rate > 1:
        return Course.OPEN
    sure = float(found.weights[found.powers > 1].sum()) >= SURE_SHARE
    return Course.FASTER if sure else Course.PERHAPS_FASTER


def blocks(judged: Judged, block_days: int = BLOCK_DAYS) -> tuple[Floats, Floats]:
    """Ages [days] and medians of blocks of days, oldest first; what was not measured is interpolated."""
    recent = judged.days > judged.days[-1] - WINDOW_DAYS
    days, used = judged.days[recent], judged.used[recent]
    if judged.drift is not None and judged.drift.kind == "step":
        # A step is not part of any ramp: what follows it is looked at by itself.
        later = days > judged.drift.onset_day + 1
        days, used = (days[later], used[later]) if later.sum() >= LEAST_BLOCKS * block_days else (days, used)
    number = (days[-1] - days) // block_days
    there = np.unique(number)[::-1]
    medians = np.array([np.median(used[number == i]) for i in there])
    whole = np.arange(int(number.max()), -1, -1)
    return np.asarray(whole * float(block_days)), np.asarray(np.interp(-whole, -there, medians), np.float64)


def _flat(judged: Judged) -> bool:
    """Has the level since a step not moved by more than its noise?"""
    assert judged.drift is not None, "only what has drifted is asked for"
    after = judged.used[judged.days > judged.drift.onset_day + 2]
    if len(after) < 14:
        return True
    third = max(5, len(after) // 3)
    return bool(abs(np.median(after[-third:]) - np.median(after[:third])) < 0.03)


def ends(found: Mixture, used: float, old_days: float = 0.0, seed: int = 1) -> Floats:
    """Days until each of some futures reaches the limit; MOST_DAYS for those that do not.

    ``used`` is the share that was used ``old_days`` ago; since then each future has gone on at its own rate.
    """
    chance = np.random.default_rng(seed)
    member = chance.choice(len(found.weights), PATHS, p=found.weights)
    rate = np.abs(found.rates[member] + found.rate_sds[member] * chance.standard_normal(PATHS))
    onset, power = found.onset_days[member], found.powers[member]
    steps = int(MOST_DAYS // STEP_DAYS)
    ahead = STEP_DAYS * np.arange(1, steps + 1)
    keep = np.exp(-STEP_DAYS / WANDER_DAYS)
    wander = np.empty((PATHS, steps))
    state = np.zeros(PATHS)
    for i in range(steps):
        state = keep * state + WANDER * np.sqrt(1 - keep**2) * chance.standard_normal(PATHS)
        wander[:, i] = state
    slope = (
        rate[:, None]
        * power[:, None]
        / YEAR_DAYS
        * ((onset[:, None] + ahead - STEP_DAYS / 2) / YEAR_DAYS) ** (power[:, None] - 1)
    )
    now_used = used + slope[:, 0] * old_days
    path = now_used[:, None] + np.cumsum(slope * np.exp(wander - WANDER**2 / 2) * STEP_DAYS, axis=1)
    passed = path >= 1.0
    first = np.where(passed.any(axis=1), passed.argmax(axis=1), steps)
    before = np.where(first > 0, np.take_along_axis(path, np.maximum(first - 1, 0)[:, None], 1)[:, 0], now_used)
    at = np.take_along_axis(path, np.minimum(first, steps - 1)[:, None], 1)[:, 0]
    part = np.clip((1.0 - before) / np.maximum(at - before, 1e-12), 0.0, 1.0)
    return np.asarray(np.where(first < steps, (first + part) * STEP_DAYS, float(MOST_DAYS)))


def corrected(quantiles: Floats) -> tuple[float, float, float]:
    """Quantiles of days, earlier and with their interval as wide as the tuning campaigns found right."""
    late, wider = next((late, wider) for most, late, wider in CORRECTIONS if quantiles[1] < most)
    shifts = (-late - wider, -late, -late + wider)
    p10, p50, p90 = ((float(days) + 1) * np.exp(shift) - 1 for days, shift in zip(quantiles, shifts, strict=True))
    return float(min(p10, p50)), float(p50), float(max(p90, p50))
