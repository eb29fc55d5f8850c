from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.margins.rates import counter_increase, restarted_between
from tests.golden.table import rows


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("counters", "counter_delta"))
def test_a_counter_that_wrapped(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    grown = counter_increase(given_["prev"], given_["cur"], given_["bits"])
    assert grown is not None
    assert grown == expected["delta"]
    assert grown * 8 / given_["seconds"] == pytest.approx(expected["bps"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("counters", "counter32_octet_wrap"))
def test_how_soon_32_bits_of_octets_wrap(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    minutes = 2**32 * 8 / given_["bps"] / 60
    assert minutes == pytest.approx(expected["minutes"], abs=tolerance)
    just_before = (minutes * 60 - 1) * given_["bps"] / 8
    assert counter_increase(0, just_before % 2**32, 32) == pytest.approx(just_before)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("counters", "timeticks_wrap"))
def test_uptime_that_wraps_is_no_restart(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    wrap_s = 2**32 / 100
    assert wrap_s / 86_400 == pytest.approx(expected["days"], abs=tolerance)
    assert not restarted_between(wrap_s - 10, 50, 60)


@given(st.floats(0, 4e7), st.floats(1, 86_400))
def test_an_agent_that_runs_on_has_not_restarted(uptime_s: float, elapsed_s: float) -> None:
    assert not restarted_between(uptime_s, (uptime_s + elapsed_s) % (2**32 / 100), elapsed_s)


@given(st.floats(600, 4e7), st.floats(60, 12_000), st.floats(0, 0.99))
def test_an_agent_that_restarted_in_between_has(uptime_s: float, elapsed_s: float, share: float) -> None:
    # Over longer gaps the 5 % that a clock may run off hides the restart of an agent that had just started.
    now_s = share * elapsed_s
    if (uptime_s + elapsed_s) % (2**32 / 100) < elapsed_s:
        return  # it wrapped in between: its uptime alone then tells nothing
    assert restarted_between(uptime_s, now_s, elapsed_s)


def test_a_64_bit_counter_that_is_lower_was_reset_not_wrapped() -> None:
    assert counter_increase(2**40, 5, 64) is None
    assert counter_increase(5, 9, 64, restarted=True) is None
