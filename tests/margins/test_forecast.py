"""How a forecast comes to its date: from the rate as it is now, or because the drift has been getting faster."""

import numpy as np
import pytest

from monitor.margins.drift import judge
from monitor.margins.features import Features
from monitor.margins.forecast import MONTH_DAYS, Course, Forecast, months_to_limit

LIMIT = -19.0


def forecast(days: int, power: float, used: float) -> tuple[Forecast, float]:
    """Of a series that was flat for 100 days, and used so much of 12 dB since; and the months at its last rate."""
    chance = np.random.default_rng(3)
    since = np.maximum(0.0, np.arange(days + 100) - 100.0) / days
    y = -7.0 - 12.0 * used * since**power + chance.normal(0, 0.03, len(since))
    nothing = np.full(len(y), np.nan)
    whole = np.arange(len(y)) + 20_000
    judged = judge(Features(whole, np.full(len(y), 24), y, y, y, nothing, nothing, nothing), LIMIT, below=True)
    found = months_to_limit(judged)
    assert isinstance(found, Forecast), found
    return found, (1 - used) / (used * power / days) / MONTH_DAYS


@pytest.mark.parametrize("days", [150, 250, 400])
def test_an_even_drift_is_never_said_to_get_faster_for_certain(days: int) -> None:
    found, at_its_rate = forecast(days, 1.0, 0.4)
    assert found.course is not Course.FASTER
    if found.course is Course.EVEN:  # one that is called even has the date that its rate gives
        assert found.p50_months == pytest.approx(at_its_rate, rel=0.35)


def test_a_long_even_drift_has_the_date_that_its_rate_gives() -> None:
    found, at_its_rate = forecast(400, 1.0, 0.6)
    assert found.course is Course.EVEN
    assert found.p50_months == pytest.approx(at_its_rate, rel=0.35)


@pytest.mark.parametrize("power", [2.6, 3.5])
def test_a_drift_that_bends_says_so(power: float) -> None:
    found, at_its_rate = forecast(300, power, 0.5)
    assert found.course is Course.FASTER
    assert found.p50_months < at_its_rate
