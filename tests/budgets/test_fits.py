import pytest

from monitor.budgets.fits import Answer, Measured, fits, free_port
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan

PLAN_ONLY = Measured({})


def answers(plan: Plan, sheets: Sheets, pole: str, load: str, measured: Measured = PLAN_ONLY) -> dict[str, Answer]:
    return {a.budget: a for a in fits(plan, sheets, pole, sheets.loads[load], 15, measured)}


def test_a_small_camera_fits_at_the_yards_with_reasons(tarrow: Plan, sheets: Sheets) -> None:
    found = answers(tarrow, sheets, "yards", "camera")
    assert all(a.fits for a in found.values())
    assert all(a.why for a in found.values())
    switch = found["PoE switch"]
    assert switch.before is not None
    assert switch.after is not None
    # 9.5 W at night over 15 m of category 5 (93.8 Ω/km): a little more at the port.
    assert switch.before - switch.after == pytest.approx(9.5, abs=0.1)
    assert found["uplink of yards"].after == pytest.approx((found["uplink of yards"].before or 0) - 6.4)


def test_every_pole_of_the_feeder_is_asked(tarrow: Plan, sheets: Sheets) -> None:
    found = answers(tarrow, sheets, "woolshed", "camera")
    assert {"volts at creek", "volts at woolshed", "volts at yards", "uplink of creek", "uplink of woolshed"} <= set(
        found
    )


def test_a_load_that_the_switch_cannot_set_aside_is_refused(tarrow: Plan, sheets: Sheets) -> None:
    found = answers(tarrow, sheets, "woolshed", "access-point")
    assert not found["PoE set aside by class"].fits
    assert found["PoE switch"].fits


def test_no_free_port_is_the_first_answer(tarrow: Plan, sheets: Sheets) -> None:
    pole = tarrow.pole("creek")
    more = [pole.loads[0].model_copy(update={"name": f"x{n}", "port": str(n), "address": None}) for n in (1, 2, 3, 4)]
    plan = tarrow.model_copy(update={"poles": [pole.model_copy(update={"loads": more}), *tarrow.poles[1:]]})
    (only,) = fits(plan, sheets, "creek", sheets.loads["camera"], 15, PLAN_ONLY)
    assert not only.fits
    assert "no PoE port is free at creek" in only.why


def test_a_port_that_the_uplink_uses_is_not_free(tarrow: Plan, sheets: Sheets) -> None:
    assert free_port(tarrow.pole("creek"), sheets) == "4"


def test_a_corroded_feeder_refuses_what_the_plan_would_allow(tarrow: Plan, sheets: Sheets) -> None:
    assert answers(tarrow, sheets, "yards", "turning-camera")["volts at yards"].fits
    found = answers(tarrow, sheets, "yards", "turning-camera", Measured({"yards": 10.0}))
    assert not found["volts at yards"].fits
    assert "measured resistance" in found["volts at yards"].why


def test_measured_watts_and_light_stand_beside_the_plans(tarrow: Plan, sheets: Sheets) -> None:
    found = answers(tarrow, sheets, "yards", "camera", Measured({}, poe_total_watts=55.0, light_margin_db=2.5))
    assert not found["PoE switch, measured"].fits
    assert found["light, measured"].after == 2.5


def test_a_solar_pole_answers_in_days(tarrow: Plan, sheets: Sheets) -> None:
    found = answers(tarrow, sheets, "ridge", "turning-camera")
    battery = found["battery"]
    assert battery.before is not None
    assert battery.after is not None
    assert battery.after < battery.before
