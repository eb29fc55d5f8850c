"""Drift: how much of a margin is used since its baseline, whether that is more than chance, and whether it was a step.

Values are compared at equal temperature; each segment between resets has a baseline of its own. Methods: an
exponentially weighted mean for slow changes, a two-day rule for steps, least squares for which of the two it was.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from monitor.facts.words import Said, say
from monitor.margins.features import Features

Floats = NDArray[np.float64]
BASELINE_DAYS = 28
LEAST_DAYS = BASELINE_DAYS + 7
"""Of readings, before anything is judged."""
LAMBDA = 0.08
Z_LOW, Z_HIGH = -6.0, 25.0
USED_SHARE = 0.05
"""Of the margin: less than this is no news, however certain."""
CERTAIN = 10.0
"""What the weighted mean must reach [σ] before a slow change is one; fewer for noisier kinds."""
RESET_SIGMAS, RESET_DAYS = 6.0, 3
BEFORE_DAYS = 14
"""How long before a jump away from the limit is looked at, for its level and its swing."""
STEP_SIGMAS, STEP_DAYS = 6.0, 9
RIDGE_K2 = 200.0
"""Keeps the slope on temperature small where the days were all alike [K²]."""


@dataclass(frozen=True, slots=True)
class Baseline:
    """What a segment is compared with: its value at ``at_c`` (None: temperature not known), and its daily noise."""

    from_day: int
    value: float
    sigma: float
    at_c: float | None


@dataclass(frozen=True, slots=True)
class Drift:
    """A change that was detected: on which day, of which kind, how large (in the series' unit, toward the limit)."""

    day: int
    kind: Literal["step", "ramp"]
    effect: float
    onset_day: int


@dataclass(frozen=True, slots=True)
class Judged:
    """A series against its limit. ``used`` is the share of the margin that is used, by day (1: at the limit)."""

    days: NDArray[np.int64]
    compared: Floats
    used: Floats
    baseline: Baseline
    segments: tuple[int, ...]
    """First days of the segments; the last is the one that is judged."""
    drift: Drift | None
    beta: float
    """Slope on temperature that was taken out [unit/K]; 0 where temperature is not known."""

    @property
    def used_lately(self) -> float:
        """Share of the margin that the last week has used (1: all of it)."""
        return float(np.median(self.used[-7:]))


class CannotSay(ValueError):
    """Too little is known; ``reason`` says what is missing."""

    def __init__(self, reason: Said) -> None:
        super().__init__(reason)
        self.reason = reason


class TooYoung(CannotSay):
    """Too few days have gone by since the first readings, or since the last repair: time alone mends that."""


def compensate(features: Features) -> tuple[Floats, float, float | None]:
    """Daily midmeans at equal temperature, the slope that was taken out, and that temperature.

    β = ΣSxy / (ΣSxx + 200 K²) from products within each day, so that what drifts from day to day does not bend it.
    """
    warm = np.isfinite(features.t_mean)
    if warm.sum() < 0.5 * len(features):
        return features.midmean, 0.0, None
    beta = float(np.nansum(features.sxy) / (np.nansum(features.sxx) + RIDGE_K2))
    at_c = float(np.nanmedian(features.t_mean))
    compared = features.midmean - beta * np.where(warm, features.t_mean - at_c, 0.0)
    return compared, beta, at_c


def noise(values: Floats, resolution: float = 0.0) -> float:
    """Standard deviation of what changes from day to day: 1.4826 · MAD of differences / √2, no less than quantisation.

    >>> round(noise(np.random.default_rng(1).normal(0, 0.1, 2000)), 2)
    0.1
    """
    steps = np.diff(values)
    mad = float(np.median(np.abs(steps - np.median(steps)))) if len(steps) else 0.0
    return max(1.4826 * mad / math.sqrt(2), resolution / math.sqrt(12), 1e-9)


def judge(
    features: Features,
    limit: float,
    below: bool,
    resets: tuple[int, ...] = (),
    resolution: float = 0.0,
    certain: float = CERTAIN,
    gate_share: float = USED_SHARE,
    reset_days: int = RESET_DAYS,
) -> Judged:
    """Judge daily features against a limit that lies ``below`` the healthy value, or above it.

    ``resets`` are days on which something was repaired or changed; a jump away from the limit that lasts for three
    days is one as well, where it is more than 6σ and 5 % of the margin. Raises CannotSay.
    """
    if len(features) < LEAST_DAYS:
        reason = say("only {count} days with readings; {least} are the least", count=len(features), least=LEAST_DAYS)
        raise (TooYoung if _close(features.days, LEAST_DAYS) else CannotSay)(reason)
    compared, beta, at_c = compensate(features)
    toward = -1.0 if below else 1.0
    sigma = noise(compared, resolution)
    jump = max(RESET_SIGMAS * sigma, USED_SHARE * abs(limit - float(np.median(compared[:BASELINE_DAYS]))))
    segments = _segments(features.days, compared, toward, jump, resets, reset_days)
    own = features.days >= segments[-1]
    if own.sum() < BASELINE_DAYS:
        known = int(own.sum())
        words = "its baseline began anew {known} days ago and is learnt over {days} days"
        reason = say(words, known=known, days=BASELINE_DAYS)
        raise (TooYoung if _close(features.days[own], BASELINE_DAYS) else CannotSay)(reason)
    days, y = features.days[own], compared[own]
    baseline = Baseline(segments[-1], float(np.median(y[:BASELINE_DAYS])), sigma, at_c)
    margin = (limit - baseline.value) * toward
    if margin <= 0:
        raise CannotSay(say("its baseline is past the limit already: there is no margin to use"))
    used = (y - baseline.value) * toward / margin
    return Judged(
        days, y, used, baseline, segments, _detect(days, used, margin, sigma, certain, gate_share, 2 * reset_days), beta
    )


def _close(days: NDArray[np.int64], least: int) -> bool:
    """Do days lie so close together that so few are no wonder? Else there are gaps, which time does not mend."""
    return len(days) == 0 or int(days[-1] - days[0]) < least


def _segments(
    days: NDArray[np.int64], y: Floats, toward: float, jump: float, resets: tuple[int, ...], last_days: int
) -> tuple[int, ...]:
    found = [int(days[0]), *(day for day in resets if days[0] < day <= days[-1])]
    away = -toward * y
    if len(y) < BASELINE_DAYS + last_days:
        return tuple(sorted(set(found)))
    starts = np.arange(BASELINE_DAYS, len(y) - last_days + 1)
    before = sliding_window_view(away, BEFORE_DAYS)[starts - BEFORE_DAYS]
    # What swings anyway, as a joint in wet and wind does, is no repair: its own swing of late is looked at too.
    needed = np.median(before, axis=1) + np.maximum(jump, np.ptp(before, axis=1))
    jumped = sliding_window_view(away, last_days).min(axis=1)[starts] > needed
    i = 0
    while i < len(starts):
        if jumped[i]:
            found.append(int(days[starts[i]]))
            i += BASELINE_DAYS
        i += 1
    return tuple(sorted(set(found)))


def _detect(
    days: NDArray[np.int64],
    used: Floats,
    margin: float,
    sigma: float,
    certain: float,
    gate_share: float,
    look_days: int,
) -> Drift | None:
    z = np.clip(used * margin / sigma, Z_LOW, Z_HIGH)
    week = np.convolve(used, np.ones(7) / 7)[: len(used)]  # the mean of each day and the six before it
    steps = _steps(used * margin, sigma) & (used > gate_share)
    mean, at = 0.0, -1
    for i in range(BASELINE_DAYS, len(days)):
        mean = (1 - LAMBDA) * mean + LAMBDA * float(z[i])
        if (week[i] > gate_share and mean > certain) or (steps[i] and i > BASELINE_DAYS + 7):
            at = i
            break
    if at < 0:
        return None
    kind, onset = _shape(used[: min(len(used), at + max(15, look_days))])
    effect = float(np.median(used[-7:])) * margin
    return Drift(int(days[at]), kind, effect, int(days[onset]))


def _steps(toward: Floats, sigma: float) -> NDArray[np.bool_]:
    """Of each day: have it and the one before both left the week before them by more than 6σ?"""
    found = np.zeros(len(toward), np.bool_)
    if len(toward) > STEP_DAYS:
        before = np.median(sliding_window_view(toward, STEP_DAYS - 1)[:-2], axis=1)  # of days i − 9 to i − 2
        both = np.minimum(toward[STEP_DAYS:], toward[STEP_DAYS - 1 : -1])
        found[STEP_DAYS:] = both > before[: len(both)] + STEP_SIGMAS * sigma
    return found


def _shape(used: Floats) -> tuple[Literal["step", "ramp"], int]:
    """Which fits better by least squares, one step or one ramp that begins somewhere; and where."""
    x = np.arange(len(used), dtype=np.float64)
    onsets = np.arange(7, len(used) - 2)
    if not len(onsets):
        return "step", 0
    y = used - used.mean()
    gains = {}
    for kind, shapes in (
        ("step", (x >= onsets[:, None]).astype(np.float64)),
        ("ramp", np.maximum(0.0, x - onsets[:, None])),
    ):
        shapes -= shapes.mean(axis=1, keepdims=True)
        gains[kind] = (shapes @ y) ** 2 / (shapes**2).sum(axis=1)  # by how much each lowers the sum of squares
    best: Literal["step", "ramp"] = "step" if gains["step"].max() >= gains["ramp"].max() else "ramp"
    return best, int(onsets[int(gains[best].argmax())])
