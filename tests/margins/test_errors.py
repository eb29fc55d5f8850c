"""Bit error ratios against SciPy's chi-square and against published figures."""

import pytest
from scipy import stats

from monitor.margins.errors import bit_errors, poisson_interval


@pytest.mark.parametrize("count", [0, 1, 2, 3, 5, 10, 30, 100, 1000])
def test_the_interval_is_garwood_s(count: int) -> None:
    """Exact limits: χ²(0.025, 2k)/2 and χ²(0.975, 2k + 2)/2, Garwood (1936); quantiles by SciPy."""
    low, high = poisson_interval(count)
    assert low == pytest.approx(
        stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0, rel=0.08 if count == 2 else 0.03
    )
    assert high == pytest.approx(stats.chi2.ppf(0.975, 2 * count + 2) / 2, rel=0.01)


def test_one_error_in_seventy_hours_is_what_a_healthy_link_shows() -> None:
    """At 4 Mb/s and 10⁻¹², the ratio that IEEE 802.3 promises for 1000BASE-X (clause 38), one error comes in 70 h."""
    found = bit_errors(1, 4e6 / 8 * 3600 * 70)
    assert found is not None
    assert found.ratio == pytest.approx(1e-12, rel=0.02)
    assert found.low < 1e-12 < found.high


def test_no_errors_bound_the_ratio_from_above() -> None:
    """The rule of three: none in n bits is less than 3/n in 95 % (one-sided), 3.7/n two-sided."""
    found = bit_errors(0, 1e9 / 8)
    assert found is not None
    assert (found.ratio, found.low) == (0.0, 0.0)
    assert found.high == pytest.approx(3.689e-9, rel=1e-3)


def test_what_cannot_be_said() -> None:
    assert bit_errors(0, 0.0) is None
    with pytest.raises(ValueError, match="cannot be counted"):
        poisson_interval(-1)
