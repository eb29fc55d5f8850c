"""When did a drift begin, and how fast does it go: a mixture over onsets and shapes, weighed by what was measured.

Each member says: nothing moved until its onset, and from there the used share of the margin grew as A · (t/360 d)^p.
The members are weighed against each other and against "nothing moves at all" by their marginal likelihood, with
whitened residuals and older blocks counting for less.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

POWERS = (1.0, 1.6, 2.6)
"""Shapes: steady, quickening, a knee. Common practice, no source."""
ONSETS = 26
YEAR_DAYS = 360.0
RATE_SD = 1.6
"""Of the share of the margin that a drift uses in a year, before anything is seen; half-normal."""
FORGET_DAYS = 90.0
TEMPER = 0.4
"""Exponent of the likelihood: blocks of one wander are not as many witnesses as they are blocks."""
PHI_LOW, PHI_HIGH = 0.3, 0.93


@dataclass(frozen=True, slots=True)
class Mixture:
    """Members with their weights; a level [share of the margin] and a rate [share a year] with its variance each."""

    weights: Floats
    onset_days: Floats
    """Days before the newest block at which each member's drift began."""
    powers: Floats
    levels: Floats
    rates: Floats
    rate_sds: Floats
    log_odds: float
    """Of a drift against none."""


def mixture(ages_days: Floats, used: Floats, prior_drift: float = 0.5) -> Mixture:
    """Weigh all members. ``ages_days`` are the blocks' ages, oldest first, the newest 0; no NaN in ``used``."""
    phi = autocorrelation(used)
    white = _whitened(used, phi)
    sigma = innovation(used, phi)
    weight = np.exp(-ages_days[1:] / FORGET_DAYS)
    flat = _whitened(np.ones(len(used)), phi)
    rows = []
    # A flat level: marginal likelihood with a level that may be anything.
    none = _evidence(white, flat[:, None], weight, sigma, None)[0]
    span = float(ages_days[0])
    for onset in _onsets(span):
        since = np.maximum(0.0, onset - ages_days)
        for power in POWERS:
            shape = _whitened((since / YEAR_DAYS) ** power, phi)
            score, level, rate, sd = _evidence(white, np.column_stack([flat, shape]), weight, sigma, RATE_SD)
            rows.append((score, onset, power, level, rate, sd))
    table = np.array(rows)
    best = float(table[:, 0].max())
    together = best + math.log(float(np.exp(table[:, 0] - best).mean()))
    odds = together - none + math.log(prior_drift / (1 - prior_drift))
    weights = np.exp(table[:, 0] - best)
    _, onset_days, powers, levels, rates, sds = table.T
    return Mixture(weights / weights.sum(), onset_days, powers, levels, rates, sds, odds)


def _onsets(span_days: float) -> Floats:
    """Days before now: 26 quantiles of the window, the last at its begin, and one long before it."""
    inside = span_days * (np.arange(1, ONSETS + 1) / ONSETS)
    return np.append(inside, span_days + 2 * YEAR_DAYS)


def _evidence(
    y: Floats, design: Floats, weight: Floats, sigma: float, rate_sd: float | None
) -> tuple[float, float, float, float]:
    """Tempered log marginal likelihood, level, rate and the rate's standard deviation of one member.

    The level has a flat prior; the rate a half-normal one, whose part below zero is cut off after the fit.
    """
    scaled = design * (np.sqrt(TEMPER * weight) / sigma)[:, None]
    target = y * np.sqrt(TEMPER * weight) / sigma
    precision = scaled.T @ scaled
    if rate_sd is not None:
        precision[1, 1] += 1 / rate_sd**2
    precision[0, 0] += 1e-6
    found = np.linalg.solve(precision, scaled.T @ target)
    left = target - scaled @ found
    score = -0.5 * float(left @ left) - 0.5 * math.log(float(np.linalg.det(precision)))
    if rate_sd is None:
        return score, float(found[0]), 0.0, 0.0
    score -= math.log(rate_sd) + 0.5 * float(found[1]) ** 2 / rate_sd**2
    sd = math.sqrt(float(np.linalg.inv(precision)[1, 1]))
    score += math.log(2 * max(_above_zero(float(found[1]) / sd), 1e-12))
    return score, float(found[0]), float(found[1]), sd


def _above_zero(z: float) -> float:
    return 0.5 * (1 + math.erf(z / math.sqrt(2)))


def _whitened(y: Floats, phi: float) -> Floats:
    return np.asarray(y[1:] - phi * y[:-1])


def autocorrelation(y: Floats) -> float:
    """φ of an AR(1) noise on a slow trend, from second differences, in which the trend is not.

    With γ_k = φ^k: var(Δ²y) = 6 − 8φ + 2φ², cov at lag one = −4 + 7φ − 4φ² + φ³, both over the same γ_0.
    """
    second = np.diff(y, 2)
    if len(second) < 8 or not second.any():
        return PHI_LOW
    second = second - second.mean()
    found = float((second[1:] * second[:-1]).mean() / (second**2).mean())
    grid = np.linspace(PHI_LOW, PHI_HIGH, 64)
    ratio = (-4 + 7 * grid - 4 * grid**2 + grid**3) / (6 - 8 * grid + 2 * grid**2)
    return float(grid[int(np.abs(ratio - found).argmin())])


def innovation(y: Floats, phi: float) -> float:
    """Standard deviation of what is new in each block, from second differences, in which a trend is not."""
    second = np.diff(y, 2)
    mad = 1.4826 * float(np.median(np.abs(second - np.median(second)))) if len(second) else 0.0
    return max(mad * math.sqrt((1 - phi**2) / (6 - 8 * phi + 2 * phi**2)), 1e-4)
