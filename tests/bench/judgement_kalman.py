"""A bank of local linear trends (Kalman filters), to compare the forecast with."""

import numpy as np
from numpy.typing import NDArray

from monitor.margins.drift import Judged
from monitor.margins.forecast import MONTH_DAYS, Forecast

Floats = NDArray[np.float64]
BLOCK_DAYS = 3
MOST_DAYS = 3650
PATHS = 400
_SLOPE_WANDERS = (0.0, 1e-6, 1e-5, 1e-4, 1e-3)
"""Standard deviations by which a slope changes from block to block [share of the margin per block]."""
_LEVEL_WANDER = 2e-4
WINDOW_DAYS = 730


def kalman_months(judged: Judged, seed: int = 1) -> Forecast | str:
    """The forecast of a judged series, or the reason why there is none."""
    if judged.drift is None:
        return "no drift was detected"
    if float(np.median(judged.used[-7:])) >= 1.0:
        return "the margin is used up"
    blocks = _blocks(judged)
    if len(blocks) < 7:
        return f"only {len(blocks)} blocks of {BLOCK_DAYS} days since its baseline; 7 are the least"
    if judged.drift.kind == "step" and _flat(judged):
        return "it was a step, and nothing has moved since"
    filters = [_filtered(blocks, wander) for wander in _SLOPE_WANDERS]
    likelihood = np.array([one[0] for one in filters])
    weights = np.exp(likelihood - likelihood.max())
    weights /= weights.sum()
    chance = np.random.default_rng(seed)
    members = chance.choice(len(filters), PATHS, p=weights)
    ends = np.concatenate(
        [
            _passages(filters[i][1], filters[i][2], _SLOPE_WANDERS[i], int((members == i).sum()), chance)
            for i in range(len(filters))
        ]
    )
    p10, p50, p90 = np.quantile(ends, (0.1, 0.5, 0.9))
    if p50 >= MOST_DAYS:
        return f"no end in sight: more likely than not later than {MOST_DAYS // 365} years from now"
    months = [float(max(0.0, days) / MONTH_DAYS) for days in (p10, p50, p90)]
    return Forecast(months[0], months[1], months[2])


def _blocks(judged: Judged) -> Floats:
    recent = judged.days > judged.days[-1] - WINDOW_DAYS
    days, used = judged.days[recent], judged.used[recent]
    number = (days[-1] - days) // BLOCK_DAYS
    whole = np.full(int(number.max()) + 1, np.nan)
    for i in np.unique(number):
        whole[len(whole) - 1 - i] = np.median(used[number == i])
    return whole


def _flat(judged: Judged) -> bool:
    """Has the level since a step not moved by more than its noise?"""
    assert judged.drift is not None, "only what has drifted is asked for"
    after = judged.used[judged.days > judged.drift.onset_day + 2]
    if len(after) < 14:
        return True
    third = max(5, len(after) // 3)
    return bool(abs(np.median(after[-third:]) - np.median(after[:third])) < 0.03)


def _filtered(y: Floats, wander: float) -> tuple[float, Floats, Floats]:
    """Log-likelihood, last state (level, slope per block), its covariance; blocks without a value are stepped over."""
    steps = np.diff(y[np.isfinite(y)])
    noise = max(float(np.median(np.abs(steps - np.median(steps)))) * 1.4826 / np.sqrt(2), 1e-4) ** 2
    move = np.array([[1.0, 1.0], [0.0, 1.0]])
    wanders = np.diag([_LEVEL_WANDER**2, wander**2])
    state, spread = np.array([y[np.isfinite(y)][0], 0.0]), np.diag([0.02, 1e-4])
    total = 0.0
    for value in y[1:]:
        state, spread = move @ state, move @ spread @ move.T + wanders
        if not np.isfinite(value):
            continue
        variance = spread[0, 0] + noise
        off = min(max(value - state[0], -6 * np.sqrt(variance)), 6 * np.sqrt(variance))
        total -= 0.5 * (np.log(2 * np.pi * variance) + off**2 / variance)
        gain = spread[:, 0] / variance
        state = state + gain * off
        spread = spread - np.outer(gain, spread[0])
    return float(total), state, spread


def _passages(state: Floats, spread: Floats, wander: float, paths: int, chance: np.random.Generator) -> Floats:
    """Days until each of some futures reaches 1; MOST_DAYS for those that do not."""
    if not paths:
        return np.empty(0)
    steps = MOST_DAYS // BLOCK_DAYS
    begins = chance.multivariate_normal(state, spread, paths, method="eigh")
    slopes = begins[:, 1:] + np.cumsum(wander * chance.standard_normal((paths, steps)), 1)
    levels = begins[:, :1] + np.cumsum(slopes, 1)
    passed = levels >= 1.0
    first = np.where(passed.any(axis=1), passed.argmax(axis=1) + 1, steps)
    return np.asarray(first * float(BLOCK_DAYS))
