"""Drift and forecast on series whose truth is known, and on such that nothing can be said of."""

import numpy as np
import pytest
from scipy import stats

from monitor.margins.drift import CannotSay, compensate, judge, noise
from monitor.margins.features import Floats, daily
from monitor.margins.forecast import Forecast, months_to_limit

DAY_S = 86_400.0
START = 20_000 * DAY_S
LIMIT = -17.0
"""Of a link that stands at −7 dBm: a margin of 10 dB."""


def hourly(days: int, drift: Floats, seed: int, beta: float = -0.01) -> tuple[Floats, Floats, Floats]:
    """Two years of light by the hour: noise, a wander of twenty days, a season, a day's warmth, steps of 0.1 dB."""
    rng = np.random.default_rng(seed)
    hours = np.arange(days * 24)
    turn = 2 * np.pi * hours / 24
    air = 18 + 10 * np.cos(turn / 365.25) + 6 * np.cos(turn) + rng.normal(0, 1, len(hours))
    wander = np.zeros(days)
    for i in range(1, days):
        wander[i] = wander[i - 1] * np.exp(-1 / 20) + rng.normal(0, 0.015)
    y = -7 + np.repeat(wander + drift, 24) + beta * (air - 18) + rng.normal(0, 0.05, len(hours))
    return np.asarray(START + 3600.0 * hours, np.float64), np.round(y, 1), np.asarray(air, np.float64)


def test_the_midmean_is_scipy_s_trimmed_mean() -> None:
    """SciPy's trim_mean(0.25) of 1,440 readings is the same to a thousandth of their spread."""
    y = np.random.default_rng(1).normal(5, 1, 1440)
    found = daily(np.linspace(0, 86_340, 1440), y)
    assert found.midmean[0] == pytest.approx(stats.trim_mean(y, 0.25), abs=2e-3)
    assert (found.p5[0], found.p95[0]) == pytest.approx(tuple(np.percentile(y, (5, 95))))


def test_the_slope_on_temperature_is_found_on_a_link_that_drifts() -> None:
    ramp = np.linspace(0, -4, 365)
    _, beta, _ = compensate(daily(*hourly(365, ramp, 2, beta=-0.02)))
    assert beta == pytest.approx(-0.02, abs=0.002)


def test_the_noise_of_white_noise() -> None:
    assert noise(np.random.default_rng(1).normal(0, 0.3, 5000)) == pytest.approx(0.3, rel=0.05)
    assert noise(np.zeros(50), resolution=0.1) == pytest.approx(0.1 / np.sqrt(12))


def test_healthy_years_stay_silent() -> None:
    """Forty series of two years: at 0.08 false alarms a series-year, more than 13 have a chance below 1 %."""
    false = 0
    for seed in range(40):
        false += judge(daily(*hourly(730, np.zeros(730), 100 + seed)), LIMIT, True).drift is not None
    assert false <= 13


def test_slow_drifts_are_found_with_little_of_the_margin_used() -> None:
    found, used = 0, []
    for seed in range(20):
        rate = 0.2 + 0.02 * seed  # dB a month
        ramp = -np.maximum(0, np.arange(730) - 200) / 30.4 * rate
        judged = judge(daily(*hourly(730, ramp, 200 + seed)), LIMIT, True)
        if judged.drift is not None:
            found += 1
            assert judged.drift.kind == "ramp"
            used.append(-ramp[judged.drift.day - 20_000] / 10)
    assert found >= 19
    assert np.median(used) <= 0.12


def test_a_step_is_told_from_a_ramp_and_within_two_days() -> None:
    for seed in range(10):
        step = np.where(np.arange(400) >= 250, -1.2, 0.0)
        judged = judge(daily(*hourly(400, step, 300 + seed)), LIMIT, True)
        assert judged.drift is not None
        assert judged.drift.kind == "step"
        assert 250 <= judged.drift.day - 20_000 <= 252
        assert judged.drift.effect == pytest.approx(1.2, abs=0.2)
        assert isinstance(months_to_limit(judged), str)


def test_a_repair_and_a_jump_away_from_the_limit_begin_anew() -> None:
    drift = np.where(np.arange(500) < 200, -np.arange(500) / 100, 0.0)
    noted = judge(daily(*hourly(500, drift, 5)), LIMIT, True, resets=(20_200,))
    unnoted = judge(daily(*hourly(500, drift, 5)), LIMIT, True)
    assert noted.segments[-1] == 20_200
    assert abs(unnoted.segments[-1] - 20_200) <= 1
    assert noted.drift is None
    assert noted.baseline.value == pytest.approx(-7.0, abs=0.15)


def test_a_gap_of_two_months_is_survived() -> None:
    times, y, air = hourly(500, -np.maximum(0, np.arange(500) - 250) / 60, 6)
    keep = (times < START + 180 * DAY_S) | (times > START + 240 * DAY_S)
    judged = judge(daily(times[keep], y[keep], air[keep]), LIMIT, True)
    assert judged.drift is not None
    assert judged.drift.day - 20_000 > 250


def test_the_forecast_of_straight_ramps() -> None:
    """The limit of a straight ramp is known: half of the forecasts err by less than a third of what is left."""
    errors, inside = [], 0
    for seed in range(20):
        rate = 0.25 + 0.02 * seed
        ramp = -np.maximum(0, np.arange(500) - 200) / 30.4 * rate
        judged = judge(daily(*hourly(500, ramp, 400 + seed)), LIMIT, True)
        found = months_to_limit(judged)
        assert isinstance(found, Forecast), found
        left = (10 + ramp[-1]) / rate
        errors.append(abs(found.p50_months - left) / left)
        inside += found.p10_months <= left <= found.p90_months
        assert found.p10_months <= found.p50_months <= found.p90_months
    assert np.median(errors) < 0.33
    assert inside >= 12


def test_limits_above_as_well() -> None:
    times, y, air = hourly(500, np.maximum(0, np.arange(500) - 200) / 40, 7)
    judged = judge(daily(times, y, air), 3.0, False)
    assert judged.drift is not None
    assert judged.drift.effect > 3


@pytest.mark.parametrize(
    ("days", "values", "limit", "why"),
    [
        (0, 1.0, 0.0, "only 0 days"),
        (1, 1.0, 0.0, "only 1 days"),
        (100, float("nan"), 0.0, "only 0 days"),
        (100, 1.0, 2.0, "past the limit already"),
    ],
)
def test_what_nothing_can_be_said_of(days: int, values: float, limit: float, why: str) -> None:
    times = np.asarray(START + DAY_S * np.arange(days), np.float64)
    with pytest.raises(CannotSay, match=why):
        judge(daily(times, np.full(days, values)), limit, True)


def test_a_constant_series_does_not_drift() -> None:
    judged = judge(daily(np.linspace(START, START + 299 * DAY_S, 300), np.full(300, 5.0)), 0.0, True)
    assert judged.drift is None
    assert months_to_limit(judged) == "no drift was detected"
