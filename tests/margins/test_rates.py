from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.facts.readings import Layout, Reading, Round, Slot, State
from monitor.margins.rates import Rates, counter_increase, restarted_between
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


def port_round(at_s: float, octets: float, since_s: float = 0.0, errors: float = 0.0, speed: float = 100.0) -> Round:
    made = Round.blank(LAYOUT, at_s, State.SILENT)
    for i, value in enumerate((octets, errors, speed, since_s)):
        made.put(i, value)
    return made


PORT = "creek/port/1"
LAYOUT = Layout(
    "creek/switch",
    "measure",
    tuple(Slot(PORT, q) for q in ("in_octets", "in_error_frames", "speed_megabits_per_s", "counters_since_seconds")),
)
IN = Slot(PORT, "in_megabits_per_s")


def rate(before: Round, now: Round, started_s: float | None = None) -> Reading | None:
    made = Rates().round(before, now, started_s)
    return None if made is None else made.reading(made.layout.index[IN])


def test_octets_become_megabits_a_second() -> None:
    got = rate(port_round(0, 1_000), port_round(60, 1_000 + 45_000_000))
    assert got is not None
    assert got.value == pytest.approx(6.0)  # 45 MB in a minute


def test_an_interval_with_a_restart_in_it_has_no_rate() -> None:
    before, now = port_round(100, 1_000), port_round(160, 2_000)
    kept, dropped = rate(before, now, started_s=90), rate(before, now, started_s=130)
    assert kept is not None
    assert kept.state is State.SEEN
    assert dropped is not None
    assert dropped.state is State.ABSENT


def test_counters_that_lost_continuity_have_no_rate() -> None:
    """RFC 2863 ifCounterDiscontinuityTime: later than before means that the counters were set in between."""
    got = rate(port_round(100, 1_000, since_s=5), port_round(160, 2_000, since_s=77))
    assert got is not None
    assert got.state is State.ABSENT


def test_more_than_the_port_can_carry_is_garbled_not_a_peak() -> None:
    got = rate(port_round(0, 0), port_round(60, 2**40))
    assert got is not None
    assert got.state is State.GARBLED
    assert "100 Mb/s" in got.why


def test_a_silent_side_gives_no_rate_and_is_no_zero() -> None:
    silent = Round.blank(LAYOUT, 60, State.SILENT)
    got = rate(port_round(0, 5), silent)
    assert got is not None
    assert (got.state, got.value) == (State.SILENT, None)
    assert rate(port_round(60, 5), port_round(60, 6)) is None
    assert rate(port_round(0, 5), port_round(7200, 6)) is None


def test_a_narrow_counter_wraps_once() -> None:
    layout = Layout("s", "measure", (Slot(PORT, "narrow_in_octets"),))
    before, now = Round.blank(layout, 0, State.SILENT), Round.blank(layout, 10, State.SILENT)
    before.put(0, 2**32 - 1_000_000)
    now.put(0, 250_000)
    got = rate(before, now)
    assert got is not None
    assert got.value == pytest.approx(1.0)
