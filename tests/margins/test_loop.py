"""Loop resistance as measured, against the published worked example of the feeder and by simulation of its errors."""

import random
import statistics
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.margins.loop import AMPERES_ERROR_SHARE, VOLTS_ERROR, from_level, from_step
from tests.golden.table import rows


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("feeder", "constant_power"))
def test_the_resistance_of_a_solved_feeder_comes_back(
    given_: dict[str, Any], expected: dict[str, Any], tolerance: float
) -> None:
    loop = from_level(given_["vs"], expected["v"], expected["i"])
    assert loop is not None
    assert loop.ohms == pytest.approx(given_["r"], rel=0.01)


@given(st.floats(0.3, 20), st.floats(0.5, 5), st.floats(0.2, 2), st.floats(48, 56))
def test_both_ways_agree_where_nothing_errs(ohms: float, amperes: float, step: float, supply: float) -> None:
    before, after = supply - ohms * amperes, supply - ohms * (amperes + step)
    if after <= 0:
        return
    level, stepped = from_level(supply, before, amperes), from_step((before, amperes), (after, amperes + step))
    assert level is not None
    assert stepped is not None
    assert level.ohms == pytest.approx(ohms, rel=1e-6)
    assert stepped.ohms == pytest.approx(ohms, rel=1e-6)


def test_the_stated_uncertainty_is_the_scatter_of_many_readings() -> None:
    """Monte Carlo (JCGM 101:2008) against the law of propagation, for both ways."""
    choose, ohms, supply = random.Random(1), 2.5, 54.0

    def volts(true: float) -> float:
        return choose.gauss(true, VOLTS_ERROR)

    def amperes(true: float) -> float:
        return choose.gauss(true, AMPERES_ERROR_SHARE * true)

    levels, steps = [], []
    for _ in range(4000):
        level = from_level(volts(supply), volts(supply - ohms), amperes(1.0))
        step = from_step((volts(supply - ohms), 1.0), (volts(supply - 1.4 * ohms), 1.4))
        assert level is not None
        assert step is not None
        levels.append(level.ohms)
        steps.append(step.ohms)
    stated, by_step = from_level(supply, supply - ohms, 1.0), from_step((51.5, 1.0), (50.5, 1.4))
    assert stated is not None
    assert by_step is not None
    assert statistics.stdev(levels) == pytest.approx(stated.error_ohms, rel=0.1)
    assert statistics.stdev(steps) <= by_step.error_ohms  # the step's amperes are taken without error here


def test_where_nothing_can_be_said_nothing_is() -> None:
    assert from_level(54, 53.9, 0.05) is None
    assert from_level(54, 54.5, 1.0) is None
    assert from_step((51, 1.0), (50.9, 1.02)) is None
    assert from_step((51, 1.0), (51.2, 1.4)) is None
