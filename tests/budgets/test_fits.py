import pytest

from monitor.budgets.fits import Answer, Measured, answer, fits, free_port
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan, Pole
from monitor.plan.power import Protection

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


def test_nothing_left_still_fits_and_less_does_not() -> None:
    assert answer("x", 1.0, 0.0, "W", "").fits
    assert answer("x", 1.0, 0.5, "W", "").fits
    assert not answer("x", 1.0, -0.001, "W", "").fits
    assert answer("x", None, None, "W", "").fits
    assert not answer("x", 1.0, 1.0, "W", "", also=False).fits


def test_a_switch_whose_datasheet_lists_no_ports_is_counted_up_to_24(tarrow: Plan, sheets: Sheets) -> None:
    pole = tarrow.pole("ridge")
    plain = pole.model_copy(
        update={"switch": pole.switch.model_copy(update={"datasheet": "standard-mibs"}), "loads": []}
    )
    assert free_port(plain, sheets) == "1"
    many = [pole.loads[0].model_copy(update={"name": f"x{n}", "port": str(n)}) for n in range(1, 24)]
    assert free_port(plain.model_copy(update={"loads": many}), sheets) == "24"
    all_of_them = [*many, many[0].model_copy(update={"port": "24"})]
    assert free_port(plain.model_copy(update={"loads": all_of_them}), sheets) is None


def test_the_port_of_the_run_is_not_free(tarrow: Plan, sheets: Sheets) -> None:
    pole = tarrow.pole("yards")
    assert pole.fibre is not None
    on_one = pole.fibre.model_copy(update={"end": pole.fibre.end.model_copy(update={"port": "1"})})
    moved = pole.model_copy(update={"fibre": on_one, "loads": []})
    assert free_port(moved, sheets) == "2"


def changed_feeder(plan: Plan, pole: str, **changes: object) -> Plan:
    def one(p: Pole) -> Pole:
        return (
            p.model_copy(update={"feeder": p.feeder.model_copy(update=changes)}) if p.feeder and p.name == pole else p
        )

    return plan.model_copy(update={"poles": [one(p) for p in plan.poles]})


def test_a_feeder_that_would_collapse_says_so(tarrow: Plan, sheets: Sheets) -> None:
    thin = changed_feeder(tarrow, "yards", conductor_mm2=0.5, length_m=420.0)
    assert all(a.fits for name, a in answers(thin, sheets, "ridge", "gateway").items() if name.startswith("volts"))
    found = answers(thin, sheets, "yards", "camera-with-heater")["volts at yards"]
    assert (found.before, found.after, found.fits) == (None, None, False)
    assert "carry" in found.why


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"protection": Protection(kind="fuse", trip_amperes=0.6)}, "protection too small"),
        (
            {"conductor_mm2": 1.5, "length_m": 20.0, "protection": Protection(kind="fuse", trip_amperes=23)},
            "conductor too small",
        ),
    ],
)
def test_what_of_the_feed_would_be_too_small(
    changes: dict[str, object], name: str, tarrow: Plan, sheets: Sheets
) -> None:
    found = answers(changed_feeder(tarrow, "yards", **changes), sheets, "yards", "camera")
    assert not found[name].fits
    assert found[name].why


def test_a_supply_that_would_be_too_small(tarrow: Plan, sheets: Sheets) -> None:
    supplies = [tarrow.supplies[0].model_copy(update={"limit_watts": 90.0}), tarrow.supplies[1]]
    found = answers(tarrow.model_copy(update={"supplies": supplies}), sheets, "yards", "camera")
    assert not found["supply too small"].fits
