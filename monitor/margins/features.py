"""What is kept of a day of a judged series: a midmean that no quantisation sticks to, spread, and temperature sums."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
DAY_S, HOUR_S = 86_400, 3_600
VERSION = 1
"""Of the way in which these are computed; another way is another number."""


@dataclass(frozen=True, slots=True)
class Features:
    """Days in order; one entry each. NaN where a day has no value, or no temperature.

    ``sxy`` and ``sxx`` are sums over the hours of a day of (value − day's mean)(T − day's mean) and (T − day's mean)²:
    the slope on temperature that they give does not see what drifts from day to day.
    """

    days: NDArray[np.int64]
    n: NDArray[np.int64]
    midmean: Floats
    p5: Floats
    p95: Floats
    t_mean: Floats
    sxy: Floats
    sxx: Floats

    def __len__(self) -> int:
        return len(self.days)


def daily(times_s: Floats, values: Floats, temperatures: Floats | None = None, offset_s: int = 0) -> Features:
    """Features of each day (of a fixed offset from UTC) that has at least one finite value.

    Times are UTC seconds in any order; values and temperatures may hold NaN and infinities, which are left out. The
    midmean is the mean of the middle half (from the 25th to the 75th percentile).

    >>> daily(np.arange(4) * 3600.0, np.array([1.0, 2, 3, 100])).midmean.tolist()
    [2.5]
    """
    order = np.argsort(times_s, kind="stable")
    times, y = times_s[order], values[order]
    t = np.full(len(times), np.nan) if temperatures is None else temperatures[order]
    seen = np.isfinite(y)
    times, y, t = times[seen], y[seen], np.where(np.isfinite(t[seen]), t[seen], np.nan)
    of_day = np.floor_divide(times + offset_s, DAY_S).astype(np.int64)
    days, first = np.unique(of_day, return_index=True)
    rows = []
    for start, end in zip(first, [*first[1:], len(times)][: len(first)], strict=True):
        rows.append(_one(times[start:end] + offset_s, y[start:end], t[start:end]))
    table = np.array(rows, np.float64).reshape(-1, 7)
    n = table[:, 0].astype(np.int64)
    return Features(days, n, *(table[:, i] for i in range(1, 7)))


def _one(times: Floats, y: Floats, t: Floats) -> tuple[float, ...]:
    low, high = np.percentile(y, (25, 75))
    middle = y[(y >= low) & (y <= high)]
    if not len(middle):  # of two values none lies between their own quartiles
        middle = y
    p5, p95 = np.percentile(y, (5, 95))
    t_mean = sxy = sxx = float("nan")
    warm = np.isfinite(t)
    if warm.any():
        hours = np.floor_divide(times[warm], HOUR_S).astype(np.int64)
        _, which = np.unique(hours, return_inverse=True)
        count = np.bincount(which)
        hour_t, hour_y = np.bincount(which, t[warm]) / count, np.bincount(which, y[warm]) / count
        t_mean = float(t[warm].mean())
        off_t, off_y = hour_t - hour_t.mean(), hour_y - hour_y.mean()
        sxy, sxx = float((off_t * off_y).sum()), float((off_t**2).sum())
    return len(y), float(middle.mean()), float(p5), float(p95), t_mean, sxy, sxx
