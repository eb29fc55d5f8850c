import pytest

from monitor.budgets.expected import site_budget
from monitor.budgets.feeder import constant_power_volts
from monitor.budgets.feeders import FeederBudget, largest
from monitor.budgets.loads import watts_of
from monitor.plan.datasheets import Sheets
from monitor.plan.meaning import read_plan
from monitor.plan.parts import Plan


def feeder(plan: Plan, sheets: Sheets, pole: str) -> FeederBudget:
    found = site_budget(plan, sheets).poles[pole].feeder
    assert found is not None
    return found


def changed(text: str, before: str, after: str, sheets: Sheets) -> Plan:
    assert before in text
    return read_plan(text.replace(before, after, 1), sheets)


def test_collapse_of_a_lone_feeder_is_the_power_transfer_limit(tarrow: Plan, sheets: Sheets) -> None:
    """Vs²/4R, from the loop that the volts and amperes of the case themselves show."""
    for case in feeder(tarrow, sheets, "yards").cases:
        assert case.at is not None
        loop = (54.0 - case.at.volts) / case.at.amperes
        assert case.collapse_watts == pytest.approx(54.0**2 / (4 * loop), abs=0.05)


def test_largest_extra_load_is_at_a_limit_and_one_more_watt_is_past_it(tarrow_text: str, sheets: Sheets) -> None:
    plan = changed(
        tarrow_text,
        "protection: {kind: electronic, trip_amperes: 3}}\n    loads:\n      - {name: yards-ramp",
        "protection: {kind: electronic, trip_amperes: 30}}\n    loads:\n      - {name: yards-ramp",
        sheets,
    )
    plan = plan.model_copy(
        update={"supplies": [plan.supplies[0].model_copy(update={"limit_watts": 5000.0}), plan.supplies[1]]}
    )
    found = feeder(plan, sheets, "yards")
    hot = next(case for case in found.cases if case.case.name == "hot_night")
    assert hot.at is not None
    loop = (54.0 - hot.at.volts) / hot.at.amperes
    at_limit = constant_power_volts(54.0, hot.pole_watts + found.largest_extra_watts, loop)
    assert at_limit == pytest.approx(44.0, abs=0.01)
    assert constant_power_volts(54.0, hot.pole_watts + found.largest_extra_watts + 1, loop) < 44.0


def test_the_supply_limits_the_extra_load_too(tarrow: Plan, sheets: Sheets) -> None:
    wide = feeder(tarrow, sheets, "yards").largest_extra_watts
    small = tarrow.supplies[0].model_copy(update={"limit_watts": 95.0})
    plan = tarrow.model_copy(update={"supplies": [small, tarrow.supplies[1]]})
    assert feeder(plan, sheets, "yards").largest_extra_watts < 15 < wide


def test_an_extra_load_anywhere_is_felt_by_all_poles_of_the_feeder(tarrow: Plan, sheets: Sheets) -> None:
    assert feeder(tarrow, sheets, "woolshed").largest_extra_watts < feeder(tarrow, sheets, "creek").largest_extra_watts


def test_a_supply_that_is_too_small_is_found(tarrow: Plan, sheets: Sheets) -> None:
    small = tarrow.supplies[0].model_copy(update={"limit_watts": 60.0})
    plan = tarrow.model_copy(update={"supplies": [small, tarrow.supplies[1]]})
    bad = {f.name for f in feeder(plan, sheets, "creek").findings if f.bad}
    assert bad == {"supply too small"}
    assert feeder(plan, sheets, "creek").largest_extra_watts == 0


def test_a_short_that_burns_on_is_found(tarrow_text: str, sheets: Sheets) -> None:
    plan = changed(
        tarrow_text,
        "conductor_mm2: 10, length_m: 640, joints: 4, protection: {kind: electronic, trip_amperes: 3}",
        "conductor_mm2: 10, length_m: 640, joints: 4, protection: {kind: breaker, trip_amperes: 16}",
        sheets,
    )
    assert "short burns on" in {f.name for f in feeder(plan, sheets, "creek").findings if f.bad}


def test_the_pole_further_on_sees_the_whole_way(tarrow: Plan, sheets: Sheets) -> None:
    creek, woolshed = feeder(tarrow, sheets, "creek"), feeder(tarrow, sheets, "woolshed")
    # IEC 60228 class 2: 10 mm² 1.83, 6 mm² 3.08 Ω/km; 44 °C; joints of 5 mΩ.
    warm = 1 + 0.00393 * 24
    way = 2 * 1.83 * 0.64 * warm + 4 * 0.005 + 2 * 3.08 * 0.31 * warm + 2 * 0.005
    assert woolshed.least_fault_amperes == pytest.approx(54 / way)
    assert creek.least_fault_amperes > woolshed.least_fault_amperes


def test_a_measured_resistance_takes_the_place_of_the_plans(tarrow: Plan, sheets: Sheets) -> None:
    found = site_budget(tarrow, sheets, {"yards": 8.0}).poles["yards"].feeder
    assert found is not None
    assert found.loop_ohms_at_20c == 8.0
    case = next(c for c in found.cases if c.case.name == "hot_night")
    assert case.at is not None
    assert case.at.volts == pytest.approx(constant_power_volts(54.0, case.pole_watts, 8.0 * (1 + 0.00393 * 24)))


def test_too_much_voltage_is_seen_against_the_maximum(tarrow: Plan, sheets: Sheets) -> None:
    for case in feeder(tarrow, sheets, "yards").cases:
        assert case.at is not None
        assert case.below_maximum_volts == pytest.approx(57 - case.at.volts)
        assert case.above_minimum_volts == pytest.approx(case.at.volts - 44)
        assert case.margin_volts == min(case.below_maximum_volts or 0, case.above_minimum_volts or 0)


@pytest.mark.parametrize("limit", [0.0, 0.005, 0.5, 1.0, 2.0, 83.3, 99_999.0])
def test_the_largest_for_which_something_holds(limit: float) -> None:
    found = largest(lambda watts: watts <= limit)
    assert limit - 0.01 <= found <= limit


def test_what_never_holds_is_nothing_and_what_always_holds_is_the_most() -> None:
    assert largest(lambda watts: False) == 0.0
    assert largest(lambda watts: watts > 0) == 0.0
    assert largest(lambda watts: True, most=64.0) == 64.0
    assert largest(lambda watts: True, most=100.0) == 100.0


def test_a_short_feeder_has_a_large_fault_current(tarrow_text: str, sheets: Sheets) -> None:
    plan = changed(tarrow_text, "conductor_mm2: 4, length_m: 380, joints: 2,", "conductor_mm2: 4, length_m: 1,", sheets)
    # IEC 60228 class 2: 4.61 Ω/km at 20 °C, two metres out and back at 44 °C.
    ohms = 2 * 4.61 / 1000 * (1 + 0.00393 * 24)
    assert feeder(plan, sheets, "yards").least_fault_amperes == pytest.approx(54 / ohms, rel=1e-6)


def test_a_case_that_does_not_exist_is_no_night(tarrow: Plan) -> None:
    load = tarrow.pole("creek").loads[0]
    assert [watts_of(load, case) for case in ("day", "night", "start_up")] == [5.5, 9.5, 9.5]
    heated = load.model_copy(update={"heater_watts": 4.0, "start_up_watts": 20.0})
    assert [watts_of(heated, case) for case in ("day", "night", "start_up")] == [5.5, 13.5, 20.0]
    with pytest.raises(KeyError):
        watts_of(load, "noon")


def test_a_feeder_that_has_collapsed_says_what_it_could_have_carried(tarrow_text: str, sheets: Sheets) -> None:
    plan = changed(
        tarrow_text, "conductor_mm2: 4, length_m: 380, joints: 2,", "conductor_mm2: 0.5, length_m: 1000,", sheets
    )
    for case in feeder(plan, sheets, "yards").cases:
        # IEC 60228 class 2, 0.5 mm²: 36.0 Ω/km at 20 °C; the most over a loop is Vs²/4R, whatever is planned.
        ohms = 2 * 36.0 * (1 + 0.00393 * (case.case.conductor_c - 20))
        assert case.at is None
        assert case.collapse_watts == pytest.approx(54**2 / (4 * ohms), abs=0.02)
        assert case.collapse_watts < case.pole_watts
