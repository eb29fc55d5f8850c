import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.daemon.design import Design
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.margins.judge import Judge, Standing, judge
from monitor.margins.limits import EXTRA_LOW_VOLTAGE, Limit

RX = Slot("creek/optic/5", "rx_dbm")
LIGHT = Limit(RX, -19.5, -3.0, 3.0, 0.5, (-12.3, -6.3), "a standard")
ORDER = [Standing.INSIDE, Standing.CLOSE, Standing.PAST]


@pytest.mark.parametrize(
    ("value", "standing", "side"),
    [
        (-9.0, "inside", "high"),
        (-16.5, "inside", "low"),
        (-16.6, "close to limit", "low"),
        (-19.6, "past limit", "low"),
        (-5.9, "close to limit", "high"),
        (-2.9, "past limit", "high"),
        (-math.inf, "past limit", "low"),
    ],
)
def test_how_a_value_stands(value: float, standing: str, side: str) -> None:
    margin = judge(LIGHT, value, 0.0)
    assert (margin.standing.value, margin.side) == (standing, side)


@given(st.floats(-30, 5), st.sampled_from(ORDER))
def test_the_deadband_only_ever_keeps_a_worse_standing(value: float, before: Standing) -> None:
    fresh, held = judge(LIGHT, value, 0.0).standing, judge(LIGHT, value, 0.0, before).standing
    assert ORDER.index(fresh) <= ORDER.index(held) <= max(ORDER.index(before), ORDER.index(fresh))


@given(st.floats(-30, 5))
def test_noise_smaller_than_the_deadband_never_makes_a_standing_flap(value: float) -> None:
    first = judge(LIGHT, value, 0.0)
    up = judge(LIGHT, value + 0.24, 0.0, first.standing)
    down = judge(LIGHT, value - 0.24, 0.0, up.standing)
    again = judge(LIGHT, value + 0.24, 0.0, down.standing)
    assert again.standing is down.standing


def test_a_missing_reading_is_no_value_and_says_which_kind() -> None:
    readings = Round.blank(Layout("creek/switch", "measure", (RX,)), 5.0, State.ABSENT)
    judged = Judge({RX: LIGHT}).round(readings, {})[RX]
    assert (judged.standing, judged.value, judged.missing) == (Standing.NO_VALUE, None, State.ABSENT)


def test_limits_of_the_shipped_plan(design: Design) -> None:
    light = design.limits[RX]
    assert (light.low, light.high) == (-19.5, -3.0)  # 1000BASE-BX10-U, datasheet
    volts = design.limits[Slot("creek/switch", "input_volts")]
    assert (volts.low, volts.high) == (44, 57)
    amperes = design.limits[Slot("creek/feeder", "feeder_amperes")]
    assert (amperes.low, amperes.high) == (None, 3)
    supply = design.limits[Slot("supply/office-a", "supply_volts")]
    assert supply.high is not None
    assert supply.high <= EXTRA_LOW_VOLTAGE  # IEC 62368-1 ES1: 60 V DC
    assert Slot("ridge/optic/5", "rx_dbm") not in design.limits
