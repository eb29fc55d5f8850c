"""The mixture of onsets: its parts against known truth, its quantiles by the probability integral transform."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from monitor.margins.forecast import corrected, ends
from monitor.margins.onset import YEAR_DAYS, autocorrelation, innovation, mixture

AGES: "NDArray[np.float64]" = np.asarray(np.arange(160, -1, -1) * 3.0, np.float64)


Floats = NDArray[np.float64]


def noise(rng: np.random.Generator, phi: float, sigma: float, n: int = len(AGES)) -> Floats:
    """AR(1) noise by SciPy's filter, begun in its stationary state."""
    white = rng.normal(0, sigma, n + 200)
    return np.asarray(signal.lfilter([1.0], [1.0, -phi], white)[200:], np.float64)


@pytest.mark.parametrize("phi", [0.4, 0.6, 0.8])
def test_autocorrelation_and_innovation_of_a_known_process(phi: float) -> None:
    rng = np.random.default_rng(5)
    found = [(autocorrelation(y), innovation(y, phi)) for y in (noise(rng, phi, 0.02, 3000) for _ in range(5))]
    assert np.mean([one[0] for one in found]) == pytest.approx(phi, abs=0.1)  # second differences tell it but weakly
    assert np.mean([one[1] for one in found]) == pytest.approx(0.02, rel=0.06)


def test_a_trend_is_not_in_the_noise() -> None:
    rng = np.random.default_rng(6)
    y = noise(rng, 0.6, 0.02, 3000)
    bent = y + np.linspace(0, 5, 3000)
    assert autocorrelation(bent) == pytest.approx(autocorrelation(y), abs=0.01)
    assert innovation(bent, 0.6) == pytest.approx(innovation(y, 0.6), rel=0.01)


def test_nothing_is_likelier_than_a_drift_where_nothing_moves() -> None:
    rng = np.random.default_rng(7)
    odds = [mixture(AGES, noise(rng, 0.6, 0.01)).log_odds for _ in range(20)]
    assert np.median(odds) < 0
    assert sum(one > 2 for one in odds) <= 2


def test_onset_and_rate_are_found() -> None:
    rng = np.random.default_rng(8)
    used = np.asarray(0.8 * np.maximum(0, 240 - AGES) / YEAR_DAYS + noise(rng, 0.5, 0.005), np.float64)
    found = mixture(AGES, used)
    assert found.log_odds > 10
    assert float(found.weights @ found.onset_days) == pytest.approx(240, abs=40)
    straight = found.weights * (found.powers == 1.0)
    assert float(straight @ found.rates / straight.sum()) == pytest.approx(0.8, rel=0.15)


def test_quantiles_by_the_probability_integral_transform() -> None:
    """Series from the model's own family: the truth lies in the 80 % interval in 68 to 99 of 100, and on both sides of
    the median (Dawid 1984, JRSS A 147, 278–292: of a calibrated forecast the places of the truth are uniform)."""
    rng, inside, above = np.random.default_rng(9), 0, 0
    for i in range(100):
        rate, onset = abs(rng.normal(0, 1.0)) + 0.3, rng.uniform(90, 400)
        then = rate * onset / YEAR_DAYS
        if then >= 0.9:
            rate = 0.8 * YEAR_DAYS / onset
            then = 0.8
        used = np.asarray(rate * np.maximum(0, onset - AGES) / YEAR_DAYS + noise(rng, 0.5, 0.005), np.float64)
        p10, p50, p90 = corrected(
            np.quantile(ends(mixture(AGES, used), float(used[-3:].mean()), 4.5, i), (0.1, 0.5, 0.9))
        )
        truth = (1 - then) / rate * YEAR_DAYS
        inside += p10 <= truth <= p90
        above += truth > p50
    assert 68 <= inside <= 99
    assert 25 <= above <= 75
