import pytest

from monitor.budgets.expected import site_budget
from monitor.budgets.feeder import constant_power_volts
from monitor.plan.datasheets import Sheets
from monitor.plan.meaning import read_plan
from monitor.plan.parts import Plan


def test_every_pole_has_its_budgets(tarrow: Plan, sheets: Sheets) -> None:
    site = site_budget(tarrow, sheets)
    assert {n: (p.optical is not None, p.feeder is not None) for n, p in site.poles.items()} == {
        "creek": (True, True),
        "woolshed": (True, True),
        "yards": (True, True),
        "ridge": (False, False),
    }
    for pole in site.poles.values():
        assert pole.poe.margin_watts > 0
        if pole.feeder:
            assert [case.case.name for case in pole.feeder.cases] == [
                "hot_day",
                "hot_night",
                "cold_night",
                "start_up",
                "allocated",
            ]
            assert pole.feeder.worst.margin_volts == min(c.margin_volts or -1 for c in pole.feeder.cases)


def test_loop_resistance_is_iec_60228_twice_the_length_and_its_joints(tarrow: Plan, sheets: Sheets) -> None:
    feeder = site_budget(tarrow, sheets).poles["creek"].feeder
    assert feeder is not None
    # IEC 60228 class 2, 10 mm²: 1.83 Ω/km at 20 °C.
    assert feeder.loop_ohms_at_20c == pytest.approx(2 * 1.83 * 0.640 + 4 * 0.005)
    assert sum(term.value for term in feeder.terms) == pytest.approx(feeder.loop_ohms_at_20c)


def test_a_feeder_alone_is_the_closed_form(tarrow: Plan, sheets: Sheets) -> None:
    feeder = site_budget(tarrow, sheets).poles["yards"].feeder
    assert feeder is not None
    case = next(c for c in feeder.cases if c.case.name == "cold_night")
    # IEC 60228 class 2, 4 mm²: 4.61 Ω/km at 20 °C; IEC 60028: 0.00393 per °C; −9 °C.
    ohms = 2 * 4.61 * 0.380 * (1 + 0.00393 * -29) + 2 * 0.005
    assert case.at is not None
    assert case.at.volts == pytest.approx(constant_power_volts(54.0, case.pole_watts, ohms))


def test_awg_is_brought_from_75c(tarrow_text: str, sheets: Sheets) -> None:
    plan = read_plan(tarrow_text.replace("conductor_mm2: 4,", "conductor_awg: 12,", 1), sheets)
    feeder = site_budget(plan, sheets).poles["yards"].feeder
    assert feeder is not None
    # NEC Chapter 9 Table 8: 1.98 Ω per 1000 ft stranded at 75 °C, 0.00323 per °C.
    per_km = 1.98 / 0.3048 * (1 + 0.00323 * (20 - 75))
    assert feeder.loop_ohms_at_20c == pytest.approx(2 * per_km * 0.380 + 2 * 0.005, rel=1e-4)


def test_a_size_that_is_in_no_table_is_named(tarrow_text: str, sheets: Sheets) -> None:
    plan = read_plan(tarrow_text.replace("conductor_mm2: 4,", "conductor_mm2: 3.3,", 1), sheets)
    with pytest.raises(ValueError, match=r"has no size 3\.3; it has 0\.5, 0\.75"):
        site_budget(plan, sheets)


def test_a_collapse_is_shown_and_is_the_worst_case(tarrow_text: str, sheets: Sheets) -> None:
    plan = read_plan(
        tarrow_text.replace("conductor_mm2: 10, length_m: 640", "conductor_mm2: 0.5, length_m: 640", 1), sheets
    )
    feeder = site_budget(plan, sheets).poles["creek"].feeder
    assert feeder is not None
    assert feeder.worst.at is None
    assert "carry" in feeder.worst.why
