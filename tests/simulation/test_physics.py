"""The simulated physics against laws that it does not know: Kirchhoff, Beer–Lambert, and the sum of all energy."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import fsolve

from monitor.plan.parts import Fibre, Plan, SolarSupply
from monitor.simulation.bank import Bank, panel_watts
from monitor.simulation.copper import Span, nodal, stretch_ohms
from monitor.simulation.light import BEND, Laser, Run, bias_now_ma, tx_now_dbm
from monitor.simulation.sky import Sky

# ---- copper


@given(
    st.lists(st.tuples(st.floats(0.05, 2.0), st.floats(2, 30), st.integers(-1, 4)), min_size=1, max_size=6),
    st.floats(48, 57),
)
@settings(deadline=None)
def test_kirchhoff_holds_at_every_pole(tree: list[tuple[float, float, int]], volts: float) -> None:
    """Each pole's current in is its load's and its children's; solved anew by scipy's fsolve from the same tree."""
    names = [str(i) for i in range(len(tree))]
    starts = [None if s < 0 or s >= i else names[s] for i, (_, _, s) in enumerate(tree)]
    spans = {n: Span(start, ohms) for n, start, (ohms, _, _) in zip(names, starts, tree, strict=True)}
    watts = {n: w for n, (_, w, _) in zip(names, tree, strict=True)}
    found = nodal(volts, spans, watts)
    at = np.array([found[n][0] for n in names])
    if at.min() < 40:
        return  # near its collapse a feeder has no solution, or two

    def wrong(x: np.ndarray) -> list[float]:
        amperes = [((volts if start is None else x[int(start)]) - x[i]) / tree[i][0] for i, start in enumerate(starts)]
        children = [sum(a for a, s in zip(amperes, starts, strict=True) if s == n) for n in names]
        return [a - watts[n] / x[i] - c for i, (n, a, c) in enumerate(zip(names, amperes, children, strict=True))]

    assert np.abs(wrong(at)).max() < 1e-3
    assert at == pytest.approx(fsolve(wrong, np.full(len(tree), volts)), abs=1e-2)


def test_copper_at_20_c_and_hot() -> None:
    """IEC 60028: 1/58 Ω mm²/m at 20 °C, 0.00393 per K. 100 m of 10 mm² there and back: 0.345 Ω."""
    assert stretch_ohms(10, 100, 20, 0) == pytest.approx(2 * 100 / 58 / 10, rel=0.002)
    assert stretch_ohms(10, 100, 60, 0) / stretch_ohms(10, 100, 20, 0) == pytest.approx(1 + 0.00393 * 40, rel=0.002)


# ---- light


def a_run(km: float) -> Run:
    laser = Laser(1310, -5.6, 16, "a")
    return Run(laser, Laser(1490, -5.6, 16, "b"), km, 1.0)


@given(st.floats(0.1, 40), st.floats(0.1, 40))
def test_beer_lambert(one: float, more: float) -> None:
    """Transmission through two lengths of glass is the product of the transmissions through each."""

    def through(km: float) -> float:
        return float(10 ** (-(a_run(km).loss_db(1310) - 1.0) / 10))

    assert through(one + more) == pytest.approx(through(one) * through(more), rel=1e-9)


def test_a_bend_costs_more_at_the_long_wavelength_and_dirt_the_same() -> None:
    clean, bent, dirty = a_run(1), a_run(1), a_run(1)
    bent.bend_db, dirty.dirt_db = 2.0, 3.0
    extra = [bent.loss_db(nm) - clean.loss_db(nm) for nm in (1310, 1490, 1550)]
    assert extra == sorted(extra)
    assert extra == pytest.approx([2.0 * BEND[nm] for nm in (1310, 1490, 1550)])
    assert {round(dirty.loss_db(nm) - clean.loss_db(nm), 9) for nm in (1310, 1490, 1550)} == {3.0}


def test_dirt_on_one_of_two_fibres_costs_one_way_only(tarrow: Plan) -> None:
    yards = next(pole for pole in tarrow.poles if pole.name == "yards")
    assert isinstance(yards.fibre, Fibre)
    run = Run.of(yards.fibre, "x")
    run.dirt_db = 4.0
    assert run.duplex
    assert run.loss_db(1310) - run.loss_db(1310, inward=False) == pytest.approx(4.0)


def test_a_laser_creeps_in_bias_first_and_falls_in_light_at_its_knee() -> None:
    laser = Laser(1310, -5.6, 16, "a")
    bias, light = [], []
    for aged in (0.0, 0.3, 0.6, 0.9, 1.0):
        laser.aged = aged
        bias.append(bias_now_ma(laser, 35))
        light.append(tx_now_dbm(laser, 35))
    assert bias == sorted(bias)
    assert bias[2] > 1.3 * bias[0]
    assert light[0] == light[1] == light[2]
    assert light[3] < light[0] - 2
    assert light[4] == pytest.approx(light[0] - 6)


# ---- battery


@pytest.mark.parametrize("chemistry", ["lfp", "agm"])
def test_the_energy_of_a_year_adds_up(tarrow: Plan, chemistry: str) -> None:
    """Charge at the end − at the start = in − out − lost; the panel's energy = used at once + stored + spilled."""
    supply = next(s for s in tarrow.supplies if isinstance(s, SolarSupply))
    kind = supply.battery.model_copy(update={"chemistry": chemistry})
    bank, sky = Bank.of(supply.model_copy(update={"battery": kind})), Sky(-36, 148, -9, 44, 5)
    began, from_panel, to_load, at_once = bank.charge_wh, 0.0, 0.0, 0.0
    for i in range(365 * 24):
        at_s = 1_767_225_600 + 3600.0 * i
        air_c = sky.air_c(at_s)
        panel = panel_watts(supply.panel_watts, sky.in_plane(at_s, 50, 0), air_c, 1.0)
        wanted = 0.0 if bank.cut else 16.0
        before = (bank.in_wh, bank.out_wh)
        bank.step(16.0, panel, air_c, 3600)
        at_once += min(panel, wanted)
        from_panel += panel
        to_load += min(panel, wanted) + bank.out_wh - before[1]
    assert bank.charge_wh - began == pytest.approx(bank.in_wh - bank.out_wh - bank.lost_wh, abs=0.5)
    assert from_panel == pytest.approx(at_once + bank.in_wh + bank.spilled_wh, rel=1e-6)
    assert to_load > 0.95 * 16 * 8760, "a bank of three days should carry 16 W through most of a year"


def test_lithium_takes_no_charge_in_the_cold_and_lead_does(tarrow: Plan) -> None:
    supply = next(s for s in tarrow.supplies if isinstance(s, SolarSupply))
    lead = supply.battery.model_copy(update={"chemistry": "agm"})
    for battery, charges in ((supply.battery, False), (lead, True)):
        bank = Bank.of(supply.model_copy(update={"battery": battery, "charge_above_c": None}))
        bank.charge_wh *= 0.5
        bank.step(5.0, 200.0, -3.0, 3600)
        assert (bank.in_wh > 0) is charges


def test_the_controller_cuts_off_and_comes_back(tarrow: Plan) -> None:
    supply = next(s for s in tarrow.supplies if isinstance(s, SolarSupply))
    bank = Bank.of(supply)
    given = [bank.step(40.0, 0.0, 15.0, 3600) for _ in range(100)]
    assert given[0] == 40.0
    assert given[-1] == 0.0
    assert bank.volts(15.0) < supply.reconnect_volts
    back = [bank.step(40.0, 300.0, 15.0, 3600) for _ in range(20)]
    assert back[-1] == 40.0
    assert not math.isclose(back[0], 40.0)
