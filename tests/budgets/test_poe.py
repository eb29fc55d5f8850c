from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.budgets.feeder import constant_power_volts, ohms_at
from monitor.budgets.loads import cable_ohms
from monitor.budgets.poe import PortBudget, channel_ohms, port_budget, port_volts_finding, port_watts, switch_budget
from monitor.facts.units import awg_to_mm2
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
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
    short = port_watts(watts, 54, channel_ohms(cable_m, False, 93.8))
    assert watts <= short + 1e-9
    assert short <= port_watts(watts, 54, channel_ohms(cable_m + more_m, False, 93.8)) + 1e-12


def test_cable_out_of_range_names_the_range() -> None:
    with pytest.raises(ValueError, match="outside 0 to 200 m"):
        channel_ohms(250, False, 93.8)


def test_a_warm_thin_cable_takes_more_than_a_cold_thick_one(sheets: Sheets, tarrow: Plan) -> None:
    load = tarrow.pole("creek").loads[1]  # 22 m, two pairs
    # TIA-568: 93.8 Ω/km at 20 °C; IEC 60028: 0.00393 per °C.
    assert cable_ohms(load, sheets, 44) == pytest.approx(93.8 * 0.022 * (1 + 0.00393 * 24))
    thick = load.model_copy(update={"cable": "category-6a-22-awg"})
    assert cable_ohms(thick, sheets, -9) < cable_ohms(load, sheets, -9) < cable_ohms(load, sheets, 44)
    four = load.model_copy(update={"poe_class": 5})
    assert cable_ohms(four, sheets, 44) == pytest.approx(cable_ohms(load, sheets, 44) / 2)


@pytest.mark.parametrize(
    ("cable", "gauge"), [("category-6-23-awg", 23), ("category-6a-22-awg", 22), ("patch-26-awg", 26)]
)
def test_cables_by_gauge_follow_from_area_and_resistivity(cable: str, gauge: int, sheets: Sheets) -> None:
    # IEC 60028: 17.241 Ω·mm²/km.
    assert sheets.cables[cable].ohms_per_km.value == pytest.approx(17.241 / awg_to_mm2(gauge), rel=0.003)


def test_ports_start_by_priority_and_the_last_goes_first(sheets: Sheets) -> None:
    def port(name: str, poe_class: int, priority: str) -> PortBudget:
        return port_budget(name, f"load {name}", 5, 54, 1, poe_class, sheets.poe_classes[poe_class], priority)

    ports = [port("1", 3, "low"), port("2", 4, "critical"), port("10", 3, "low"), port("3", 3, "high")]
    budget = switch_budget(ports, 62.0)
    # RFC 3621 pethPsePortPowerPriority: critical(1), high(2), low(3).
    assert budget.start_order == ("2", "3", "1", "10")
    assert budget.denied == ("10",)
    assert budget.denied_first == "10"
    assert switch_budget(ports, 31.0).denied == ("10", "1", "3")
    assert switch_budget([], 60).denied_first is None


def test_a_port_at_its_least_volts_is_served(sheets: Sheets) -> None:
    port = port_budget("1", "camera", 5, 54, 1, 4, sheets.poe_classes[4])
    assert port.priority == "low"  # RFC 3621: the least of the three, and the default
    assert not port_volts_finding(port, 50.0).bad  # IEEE 802.3-2018 table 33-11, type 2
    assert port_volts_finding(port, 49.99).bad
