from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.budgets.feeder import constant_power_volts, ohms_at
from monitor.budgets.poe import channel_ohms, port_watts
from monitor.plan.datasheets import Sheets
from tests.golden.table import rows


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("poe", "poe_class_pd"))
def test_each_class_leaves_its_watts_at_the_device(
    given_: dict[str, Any], expected: dict[str, Any], tolerance: float, sheets: Sheets
) -> None:
    needed = port_watts(expected["pd_w"], given_["vpse"], given_["rch"])
    assert needed == pytest.approx(given_["pse_w"], abs=2 * tolerance)
    sheet = sheets.poe_classes[given_["cls"]]
    assert (sheet.pse_watts, sheet.pd_watts) == (given_["pse_w"], expected["pd_w"])


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("poe", "poe_vpd"))
def test_volts_at_the_device(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    watts_at_device = expected["vpd"] * given_["i"]
    volts = constant_power_volts(given_["vpse"], watts_at_device, given_["rch"])
    assert volts == pytest.approx(expected["vpd"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("poe", "poe_cable_loss"))
def test_loss_in_a_two_pair_cable(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    ohms = channel_ohms(100, False, given_["conductor_ohm_100m"] * 10)
    assert given_["i"] * ohms == pytest.approx(expected["drop_v"], abs=tolerance)
    assert given_["i"] ** 2 * ohms == pytest.approx(expected["loss_w"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("poe", "r_20_to_T"))
def test_warm_cable(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    assert ohms_at(given_["ohm_100m"], 20, given_["t"], 0.00393) == pytest.approx(expected["ohm"], abs=tolerance)


def test_four_pairs_have_half_the_resistance_of_two() -> None:
    # IEEE 802.3bt: 12.5 Ω per pairset, two pairsets in parallel.
    assert channel_ohms(100, True, 125) == pytest.approx(6.25)


@given(st.floats(1, 25), st.floats(0, 100), st.floats(0, 50))
def test_a_longer_cable_never_needs_less(watts: float, cable_m: float, more_m: float) -> None:
    short = port_watts(watts, 54, channel_ohms(cable_m, False))
    assert watts <= short + 1e-9
    assert short <= port_watts(watts, 54, channel_ohms(cable_m + more_m, False)) + 1e-12


def test_cable_out_of_range_names_the_range() -> None:
    with pytest.raises(ValueError, match="outside 0 to 200 m"):
        channel_ohms(250, False)
