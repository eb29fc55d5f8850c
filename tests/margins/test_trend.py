"""Theil–Sen, Mann–Kendall, Hamed–Rao against published figures and against the library pymannkendall 1.4.3."""

import math

import numpy as np
import pymannkendall as reference
import pytest

from monitor.margins.trend import hamed_rao, mann_kendall, slope, theil_sen

SHAMPOO = (
    "266.0 145.9 183.1 119.3 180.3 168.5 231.8 224.5 192.8 122.9 336.5 185.9 194.3 149.5 210.1 273.3 191.4 287.0 "
    "226.0 303.6 289.9 421.6 264.5 342.3 339.7 440.4 315.9 439.3 401.3 437.4 575.5 407.6 682.0 475.3 581.3 646.9"
)
"""Monthly sales of shampoo over three years: Makridakis, Wheelwright, Hyndman, Forecasting (1998)."""


def shampoo() -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    return np.array([float(word) for word in SHAMPOO.split()])


def test_the_published_example_of_hamed_and_rao() -> None:
    """Figures of pymannkendall's example notebook (commit ec2e3ab) for this series."""
    found = hamed_rao(shampoo())
    assert found.s == 440
    assert found.variance == pytest.approx(7322.011164105283, rel=1e-9)
    assert found.z == pytest.approx(5.130377554630905, rel=1e-9)
    assert found.p == pytest.approx(2.8916160532688195e-07, rel=1e-6)
    assert theil_sen(np.arange(36.0), shampoo()) == pytest.approx(11.509375, rel=1e-12)


@pytest.mark.parametrize("seed", range(12))
def test_as_the_library_says(seed: int) -> None:
    """Random series with trends, wander and ties, as telemetry has."""
    rng = np.random.default_rng(seed)
    y = np.cumsum(rng.normal(0.02 * (seed % 3), 0.3, 60 + 20 * seed)) + rng.normal(0, 0.2, 60 + 20 * seed)
    corrected, ours_corrected = reference.hamed_rao_modification_test(y), hamed_rao(y)  # ties there hang on rounding
    y = np.round(y, 1)
    plain, ours = reference.original_test(y), mann_kendall(y)
    assert (ours.s, ours.variance) == pytest.approx((plain.s, plain.var_s))
    assert (ours.z, ours.p) == pytest.approx((plain.z, plain.p), abs=1e-12)
    assert theil_sen(np.arange(len(y), dtype=np.float64), y) == pytest.approx(plain.slope)
    if corrected.var_s > 0:  # it may come out negative, where nothing can be said; then we leave it uncorrected
        assert ours_corrected.variance == pytest.approx(corrected.var_s)


def test_the_interval_of_a_slope_holds_the_truth_in_most_cases() -> None:
    """White noise on a line, 200 times: the 95 % interval holds the slope at least 180 times."""
    rng, held = np.random.default_rng(3), 0
    days = np.arange(90.0)
    for _ in range(200):
        found = slope(days, 0.01 * days + rng.normal(0, 0.2, 90))
        assert found is not None
        held += found.low_per_month <= 0.01 * 30.4375 <= found.high_per_month
    assert held >= 180


def test_what_nothing_can_be_said_of() -> None:
    assert slope(np.arange(5.0), np.arange(5.0)) is None
    flat = mann_kendall(np.ones(30))
    assert (flat.s, flat.z, flat.p) == (0, 0.0, 1.0)
    assert math.isclose(hamed_rao(np.ones(30)).p, 1.0)
