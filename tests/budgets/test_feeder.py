import math
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.budgets.feeder import (
    Collapse,
    Stretch,
    collapse_watts,
    constant_power_volts,
    loop_ohms,
    ohms_at,
    solve_tree,
)
from tests.golden.table import rows


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("feeder", "constant_power"))
def test_constant_power_load(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    at = solve_tree(given_["vs"], {"pole": Stretch(None, given_["r"], given_["p"])})["pole"]
    assert constant_power_volts(given_["vs"], given_["p"], given_["r"]) == pytest.approx(expected["v"], abs=tolerance)
    assert at.volts == pytest.approx(expected["v"], abs=tolerance)
    assert at.amperes == pytest.approx(expected["i"], abs=1e-4)
    assert at.loss_watts == pytest.approx(expected["loss_w"], abs=tolerance)
    assert at.loss_watts + given_["p"] == pytest.approx(expected["p_in"], abs=tolerance)
    assert collapse_watts(given_["vs"], given_["r"]) == pytest.approx(expected["p_collapse"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("feeder", "max_power_transfer"))
def test_largest_power_as_published(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    ohms = loop_ohms(given_["ohm_km"], given_["len_m"])
    watts = collapse_watts(given_["vs"], ohms)
    assert watts == pytest.approx(expected["p_w"], abs=0.1)
    assert watts / (given_["vs"] / 2) == pytest.approx(expected["i_a"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("feeder", "drop_rho"))
def test_voltage_drop_of_a_resistive_run(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    ohms_per_km = given_["rho"] / given_["area_mm2"] * 1000
    drop = given_["i"] * loop_ohms(ohms_per_km, given_["len_m"])
    assert drop == pytest.approx(expected["drop_v"], abs=tolerance)
    assert 100 * drop / given_["vs"] == pytest.approx(expected["pct"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("feeder", "nec_t8_to_20C"))
def test_nec_table_8_brought_to_20c(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    assert ohms_at(given_["r75"], 75, 20, given_["alpha"]) == pytest.approx(expected["r20"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("feeder", "nec_t8_to_20C_ratio"))
def test_a_cold_cable_has_82_percent_of_the_75c_table(
    given_: dict[str, Any], expected: dict[str, Any], tolerance: float
) -> None:
    assert ohms_at(1.0, 75, 20, given_["alpha"]) == pytest.approx(expected["ratio"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("feeder", "temp_corr_k"))
def test_k_factor_corrected_for_temperature(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    assert ohms_at(given_["k75"], 75, given_["t"], given_["alpha"]) == pytest.approx(expected["k"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("feeder", "iec60228_kt"))
def test_iec_kt_table(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    # Kt divides: R20 = R(t)·Kt. IEC's own table uses 0.004, not IEC 60028's 0.00393.
    assert 1 / ohms_at(1.0, 20, given_["t"], 0.004) == pytest.approx(expected["kt"], abs=tolerance)


def test_beyond_collapse_is_refused_and_says_what_could_be_carried() -> None:
    with pytest.raises(Collapse, match=r"no more than 32\.0 W"):
        constant_power_volts(48, 32.1, 18.0)
    with pytest.raises(Collapse):
        solve_tree(48, {"pole": Stretch(None, 18.0, 32.1)})


def test_a_circle_of_stretches_is_refused() -> None:
    with pytest.raises(ValueError, match="nowhere or in a circle"):
        solve_tree(48, {"a": Stretch("b", 1, 1), "b": Stretch("a", 1, 1)})


def test_out_of_range_is_refused_with_the_range() -> None:
    with pytest.raises(ValueError, match="outside -60 to 150 °C"):
        ohms_at(1, 20, 400, 0.00393)
    with pytest.raises(ValueError, match="outside 0 to 200000 m"):
        loop_ohms(3.08, -1)


trees = st.lists(st.tuples(st.integers(0, 5), st.floats(0.05, 8), st.floats(0, 60)), min_size=1, max_size=6).map(
    lambda rows: {
        f"p{i}": Stretch(None if i == 0 or above >= i else f"p{above}", ohms, watts)
        for i, (above, ohms, watts) in enumerate(rows)
    }
)


@given(trees, st.floats(24, 57))
def test_kirchhoff_holds_at_the_solved_point(tree: dict[str, Stretch], volts: float) -> None:
    try:
        at = solve_tree(volts, tree)
    except Collapse:
        assume(False)
    for name, stretch in tree.items():
        above = at[stretch.start].volts if stretch.start else volts
        assert above - at[name].volts == pytest.approx(at[name].amperes * stretch.ohms, abs=1e-6)
        onward = sum(at[child].amperes for child, s in tree.items() if s.start == name)
        assert at[name].amperes == pytest.approx(stretch.watts / at[name].volts + onward, abs=1e-6)
    taken = volts * sum(at[n].amperes for n, s in tree.items() if s.start is None)
    given_out = sum(s.watts for s in tree.values()) + sum(a.loss_watts for a in at.values())
    assert taken == pytest.approx(given_out, rel=1e-6, abs=1e-6)


@given(st.floats(12, 57), st.floats(0.01, 20), st.floats(0, 0.999))
def test_tree_and_closed_form_agree_on_the_upper_branch(volts: float, ohms: float, share: float) -> None:
    watts = share * collapse_watts(volts, ohms)
    closed = constant_power_volts(volts, watts, ohms)
    assert closed >= volts / 2 * (1 - 1e-9)  # the lower branch lies below Vs/2
    assert solve_tree(volts, {"p": Stretch(None, ohms, watts)})["p"].volts == pytest.approx(closed, rel=1e-5)


@given(trees, st.floats(40, 57), st.floats(0.5, 20))
def test_more_load_never_raises_volts_anywhere(tree: dict[str, Stretch], volts: float, more: float) -> None:
    first = tree["p0"]
    try:
        before = solve_tree(volts, tree)
        after = solve_tree(volts, {**tree, "p0": Stretch(first.start, first.ohms, first.watts + more)})
    except Collapse:
        assume(False)
    assert all(after[name].volts <= before[name].volts + 1e-9 for name in tree)


@given(trees, st.floats(40, 57))
def test_a_collapse_is_a_collapse_by_fixed_point_iteration_too(tree: dict[str, Stretch], volts: float) -> None:
    """An independent solver: sweep currents back and volts forward until they stand still, or never do."""
    order = sorted(tree, key=lambda n: int(n[1:]))
    at = dict.fromkeys(order, volts)
    for _ in range(4000):
        amperes = {n: tree[n].watts / at[n] for n in order}
        for name in reversed(order):
            start = tree[name].start
            if start:
                amperes[start] += amperes[name]
        new: dict[str, float] = {}
        for name in order:
            start = tree[name].start
            new[name] = (new[start] if start else volts) - amperes[name] * tree[name].ohms
        if min(new.values()) <= volts * 0.02:
            at = {}
            break
        moved = max(abs(new[n] - at[n]) for n in order)
        at = new
        if moved < 1e-10:
            break
    try:
        solved = solve_tree(volts, tree)
    except Collapse:
        assert not at or moved >= 1e-10
        return
    if at and moved < 1e-10:
        assert all(math.isclose(solved[n].volts, at[n], rel_tol=1e-5) for n in order)


def test_joints_cost_only_what_they_are_given() -> None:
    assert loop_ohms(3.08, 500) == pytest.approx(3.08)
    assert loop_ohms(3.08, 500, milliohms_per_joint=10) == pytest.approx(3.08)
    assert loop_ohms(3.08, 500, joints=7) == pytest.approx(3.08)
