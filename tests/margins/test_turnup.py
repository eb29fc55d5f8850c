"""The comparison of a turn-up against figures that are worked out beside it, and standards."""

import pytest

from monitor.daemon.design import Design
from monitor.facts.readings import Slot
from monitor.margins.judge import Standing
from monitor.margins.turnup import Item, Measured, compared, measured_of, steps


def items(design: Design, pole: str, night: bool | None = False, **values: float) -> dict[str, Item]:
    """Compared items by "resource quantity", with some measured; keys as ``creek_optic_5__rx_dbm``."""
    measured = {}
    for name, value in values.items():
        resource, _, quantity = name.partition("__")
        measured[Slot(resource.replace("_", "/"), quantity)] = Measured(value, value, value, 50)
    planned = design.plan.pole(pole)
    found = compared(planned, design.plan, design.sheets, design.budget.poles[pole], design.limits, measured, night)
    return {f"{one.slot.resource} {one.slot.quantity}": one for one in found}


def test_light_is_held_against_the_budget_and_the_accuracy_of_the_optic(design: Design) -> None:
    """The expected level is -12.3 to -6.3 dBm (1000BASE-BX10: -9 to -3 dBm sent, IEEE 802.3 clause 59; 3.26 dB lost).

    What an optic says is right within 3 dB (SFF-8472), so that only what lies beyond is beside the plan.
    """
    low, _, high = design.budget.poles["creek"].optical.outward.expected_rx_dbm  # type: ignore[union-attr]  # creek has fibre
    assert (low, high) == (pytest.approx(-12.26, abs=0.05), pytest.approx(-6.26, abs=0.05))
    good = items(design, "creek", creek_optic_5__rx_dbm=-14.0)["creek/optic/5 rx_dbm"]
    assert (good.beside, good.standing) == (0.0, Standing.INSIDE)
    dirty = items(design, "creek", creek_optic_5__rx_dbm=-17.0)["creek/optic/5 rx_dbm"]
    assert dirty.beside == pytest.approx(-17.0 - (low - 3.0))
    assert dirty.standing is Standing.CLOSE
    assert dirty.outside


def test_no_light_is_past_the_limit_and_no_number_beside_the_plan(design: Design) -> None:
    dark = items(design, "creek", creek_optic_5__rx_dbm=float("-inf"))["creek/optic/5 rx_dbm"]
    assert (dark.standing, dark.beside, dark.outside) == (Standing.PAST, 0.0, True)


def test_what_was_not_measured_has_no_value(design: Design) -> None:
    found = items(design, "creek")
    assert {one.standing for one in found.values()} == {Standing.NO_VALUE}


def test_the_night_is_held_against_the_night(design: Design) -> None:
    camera = design.plan.pole("creek").loads[0]
    assert camera.night_watts is not None
    name = f"creek/port/{camera.port} port_watts"
    key = {f"creek_port_{camera.port}__port_watts": camera.night_watts}
    assert not items(design, "creek", True, **key)[name].outside
    assert items(design, "creek", False, **key)[name].beside > 0


def test_the_feeder_is_held_against_copper_between_the_coldest_and_the_hottest_day(design: Design) -> None:
    """Two conductors of 640 m, 10 mm², class 2: 1.83 Ω/km at 20 °C (IEC 60228 table 2) and 0.00393/K (IEC 60028).

    2 x 0.64 km x 1.83 Ω/km = 2.342 Ω; at 44 °C x 1.0943, at -9 °C x 0.886; joints of the plan on top.
    """
    item = items(design, "creek")["creek/feeder loop_ohms"]
    assert item.expected is not None
    plain = 2 * 0.64 * 1.83
    assert item.expected[0] == pytest.approx(plain * (1 + 0.00393 * (-9 - 20)), rel=0.03)
    assert item.expected[1] == pytest.approx(plain * (1 + 0.00393 * (44 - 20)), rel=0.03)


def test_too_few_readings_are_none() -> None:
    assert measured_of([1.0, 2.0]) is None


def test_steps_of_the_load_give_the_feeder_twice(design: Design) -> None:
    """54 V, 2.5 Ω by Ohm's law: 1 A leaves 51.5 V, 1.4 A leaves 50.5 V."""
    pole = design.plan.pole("creek")
    switch, feeder, supply = "creek/switch", "creek/feeder", "supply/office-a"

    def moment(watts: float, volts: float, amperes: float) -> dict[Slot, float]:
        return {
            Slot(switch, "poe_total_watts"): watts,
            Slot(switch, "input_volts"): volts,
            Slot(feeder, "feeder_amperes"): amperes,
            Slot(supply, "supply_volts"): 54.0,
        }

    low, high = steps([moment(12, 51.5, 1.0), moment(20, 50.5, 1.4)], pole, supply)
    assert [low.ohms, high.ohms] == pytest.approx([2.5, 2.5])
    assert len(steps([moment(12, 51.5, 1.0), moment(12.2, 51.5, 1.0)], pole, supply)) == 1


def test_in_twilight_both_the_day_and_the_night_are_right(design: Design) -> None:
    camera = design.plan.pole("creek").loads[0]
    assert camera.night_watts is not None
    name, key = f"creek/port/{camera.port} port_watts", f"creek_port_{camera.port}__port_watts"
    for watts in (camera.watts, camera.night_watts):
        assert not items(design, "creek", None, **{key: watts})[name].outside
