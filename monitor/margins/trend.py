"""Trends that outliers do not bend: Theil–Sen's slope with its interval, Mann–Kendall's test with Hamed and Rao's.

They describe; nothing is raised by a p-value: on slowly wandering series that are healthy these tests reject far more
often than they say.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MONTH_DAYS = 30.4375
_Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Slope:
    """Change in the series' unit a month, with the interval that holds it in 95 of 100 cases."""

    per_month: float
    low_per_month: float
    high_per_month: float


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Kendall's S, its variance, the standard normal Z and the two-sided p."""

    s: float
    variance: float
    z: float
    p: float


def theil_sen(x: Floats, y: Floats) -> float:
    """Median of the slopes of all pairs: Sen (1968), Journal of the American Statistical Association 63, 1379–1389.

    >>> theil_sen(np.array([0.0, 1, 2, 3]), np.array([0.0, 2, 4, 60]))
    11.0
    """
    return float(np.median(_slopes(x, y)))


def _slopes(x: Floats, y: Floats) -> Floats:
    i, j = np.triu_indices(len(x), 1)
    apart = x[j] - x[i]
    return np.sort((y[j] - y[i])[apart != 0] / apart[apart != 0])


def slope(days: Floats, y: Floats) -> Slope | None:
    """Slope a month, its interval by Sen's ranks with a variance widened for autocorrelation; None under 10 days."""
    if len(y) < 10:
        return None
    slopes = _slopes(days, y)
    if not len(slopes):
        return None
    wide = math.sqrt(max(hamed_rao(y).variance, 1.0)) * _Z95
    n = len(slopes)
    low = int(np.clip(round((n - wide) / 2), 0, n - 1))
    high = int(np.clip(round((n + wide) / 2), 0, n - 1))
    middle, at_low, at_high = (float(v) * MONTH_DAYS for v in (np.median(slopes), slopes[low], slopes[high]))
    return Slope(middle, at_low, at_high)


def mann_kendall(y: Floats) -> MannKendall:
    """Mann–Kendall's test: S = Σ sign(y_j − y_i), Var = [n(n−1)(2n+5) − Σ t(t−1)(2t+5)]/18, with ties t.

    Reference: Mann (1945), Econometrica 13, 245–259; Kendall, Rank Correlation Methods.
    """
    s, variance = _score(y)
    return _tested(s, variance)


def hamed_rao(y: Floats, lags: int | None = None) -> MannKendall:
    """The same, its variance corrected for autocorrelation: Hamed and Rao (1998), Journal of Hydrology 204, 182–196.

    n/n* = 1 + 2/(n(n−1)(n−2)) · Σ (n−k)(n−k−1)(n−k−2)·ρ_k over the ranks of the detrended series whose ρ_k is
    significant at 95 %. ``lags``: how many are looked at, all by default.
    """
    n = len(y)
    s, variance = _score(y)
    x = np.arange(n, dtype=np.float64)
    left = y - theil_sen(x, y) * x if n > 1 else y
    ranks = _ranks(np.round(left, 9)) - (n + 1) / 2  # what is equal must tie, whatever the last bit says
    total = float(ranks @ ranks)
    more = 0.0
    for k in range(1, (n if lags is None else min(lags + 1, n)) - 1):
        rho = float(ranks[:-k] @ ranks[k:]) / total if total else 0.0
        if abs(rho) >= _Z95 / math.sqrt(n):
            more += (n - k) * (n - k - 1) * (n - k - 2) * rho
    factor = 1 + 2 / (n * (n - 1) * (n - 2)) * more if n > 2 else 1.0
    return _tested(s, variance * factor if factor > 0 else variance)


def _score(y: Floats) -> tuple[float, float]:
    n = len(y)
    i, j = np.triu_indices(n, 1)
    s = float(np.sign(y[j] - y[i]).sum())
    _, ties = np.unique(y, return_counts=True)
    return s, float(n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18


def _ranks(y: Floats) -> Floats:
    """Mid-ranks, ties sharing theirs."""
    _, which, count = np.unique(y, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - (count - 1) / 2)[which], np.float64)


def _tested(s: float, variance: float) -> MannKendall:
    z = 0.0 if s == 0 or variance <= 0 else (s - math.copysign(1.0, s)) / math.sqrt(variance)
    return MannKendall(s, variance, z, math.erfc(abs(z) / math.sqrt(2)))
