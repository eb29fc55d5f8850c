from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.budgets.optical import OpticalBudget, link, loss_terms
from monitor.budgets.terms import Term, total
from monitor.plan.datasheets import FibreSheet, OpticSheet, Sheets, Sourced
from monitor.plan.parts import Fibre
from tests.golden.table import rows


def sourced(value: float) -> Sourced:
    return Sourced(value=value, source="test")


def fibre_sheet(att: float, conn_db: float, splice_db: float) -> FibreSheet:
    return FibreSheet(
        medium="single-mode",
        db_per_km={1310: sourced(att)},
        db_per_connector=sourced(conn_db),
        db_per_splice=sourced(splice_db),
    )


def optic(tx_min: float, tx_max: float, sensitivity: float, overload: float, **penalties: float) -> OpticSheet:
    return OpticSheet(
        medium="single-mode",
        strands=2,
        tx_nm=sourced(1310),
        rx_nm=sourced(1310),
        megabits_per_s=1000,
        tx_min_dbm=sourced(tx_min),
        tx_max_dbm=sourced(tx_max),
        rx_sensitivity_dbm=sourced(sensitivity),
        rx_overload_dbm=sourced(overload),
        penalties_db={k: sourced(v) for k, v in penalties.items()},
    )


def run(length_m: float, connectors: int, splices: int, **allowances: float) -> Fibre:
    return Fibre.model_validate(
        {
            "from": {"port": "1", "optic": "a"},
            "to": {"port": "1", "optic": "a"},
            "type": "x",
            "length_m": length_m,
            "connectors": connectors,
            "splices": splices,
            "allowances_db": allowances,
        }
    )


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("optical", "link_loss+margin"))
def test_loss_and_margin_of_published_worked_examples(
    given_: dict[str, Any], expected: dict[str, Any], tolerance: float
) -> None:
    sheet = fibre_sheet(given_["att"], given_["conn_db"], given_["splice_db"])
    penalties = {"higher-order modes": given_.get("hol_db", 0.0), "clock recovery": given_.get("other_db", 0.0)}
    a = optic(given_["budget_db"] - 20, 0, -20, 0, **penalties)
    budget = link(run(given_["fiber_km"] * 1000, given_["connectors"], given_["splices"]), sheet, a, a, "near", "far")
    way = budget.outward
    assert way.loss_db + total(way.penalty_terms) == pytest.approx(expected["loss_db"], abs=tolerance)
    assert way.margin_db == pytest.approx(expected["margin_db"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("optical", "power_budget"))
def test_power_budget_is_what_is_left_of_a_run_without_length(
    given_: dict[str, Any], expected: dict[str, Any], tolerance: float
) -> None:
    a = optic(given_["tx_min_dbm"], 0, given_["rx_sens_dbm"], 0)
    assert link(run(0, 0, 0), fibre_sheet(0.4, 0.5, 0.1), a, a, "n", "f").outward.margin_db == pytest.approx(
        expected["budget_db"], abs=tolerance
    )


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("optical", "overload_check"))
def test_overload_of_a_short_run(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    a = optic(-9, given_["tx_max_dbm"], -19, given_["rx_max_dbm"])
    headroom = link(run(0, 0, 0), fibre_sheet(0.4, 0.5, 0.1), a, a, "n", "f").outward.overload_margin_db
    assert headroom == pytest.approx(expected["headroom_db"], abs=tolerance)


def creek(sheets: Sheets, length_m: float = 640, **allowances: float) -> OpticalBudget:
    near, far = sheets.optics["1000base-bx10-d"], sheets.optics["1000base-bx10-u"]
    return link(run(length_m, 4, 0, **allowances), sheets.fibres["OS2"], near, far, "office", "creek")


def test_a_bidi_pair_has_its_own_colour_each_way(sheets: Sheets) -> None:
    budget = creek(sheets)
    assert (budget.outward.wavelength_nm, budget.inward.wavelength_nm) == (1490, 1310)


def test_terms_add_up_to_the_margin(sheets: Sheets) -> None:
    way = creek(sheets, repair=1.0, ageing=0.5).outward
    assert sum(term.value for term in way.terms()) == pytest.approx(way.margin_db)
    assert all(term.source for term in way.terms())


def test_a_fibre_without_that_wavelength_is_refused_with_those_it_has() -> None:
    with pytest.raises(ValueError, match=r"no attenuation at 1550 nm \(only 1310 nm\)"):
        loss_terms(fibre_sheet(0.4, 0.5, 0.1), 1550, 100, 2, 0)


def test_length_out_of_range_is_refused_with_the_range() -> None:
    with pytest.raises(ValueError, match="outside 0 to 200000 m"):
        loss_terms(fibre_sheet(0.4, 0.5, 0.1), 1310, 300_000, 2, 0)


@given(st.floats(0, 50_000), st.floats(1, 50_000), st.integers(0, 10), st.integers(0, 10))
def test_more_plant_never_raises_light(length_m: float, more_m: float, connectors: int, splices: int) -> None:
    sheet, a = fibre_sheet(0.4, 0.5, 0.1), optic(-9, -3, -19.5, -3)
    short = link(run(length_m, connectors, splices), sheet, a, a, "n", "f").outward
    long = link(run(length_m + more_m, connectors, splices), sheet, a, a, "n", "f").outward
    assert long.expected_rx_dbm[0] < short.expected_rx_dbm[0]
    assert long.margin_db < short.margin_db
    assert long.overload_margin_db > short.overload_margin_db


def test_a_published_typical_level_takes_the_place_of_the_middle() -> None:
    middle = optic(-9, -3, -20, -3)
    typical = middle.model_copy(update={"tx_typical_dbm": Sourced(value=-5, source="a datasheet")})
    sheet = fibre_sheet(0.35, 0.3, 0.1)
    sent = [link(run(500, 2, 2), sheet, a, a, "n", "f").outward.tx_dbm[1] for a in (middle, typical)]
    assert sent[0].value == -6
    assert sent[1] == Term("transmitter, typical", -5, "dBm", "a datasheet")


def test_each_penalty_is_a_term_of_its_own_with_its_source() -> None:
    a = optic(-9, -3, -20, -3, dispersion=0.8)
    penalties = link(run(500, 2, 2), fibre_sheet(0.35, 0.3, 0.1), a, a, "n", "f").outward.penalty_terms
    assert penalties == (Term("penalty: dispersion", 0.8, "dB", "test"),)


def test_the_wavelengths_that_a_fibre_has_are_listed_in_order() -> None:
    sheet = fibre_sheet(0.35, 0.3, 0.1)
    two = sheet.model_copy(update={"db_per_km": {1550: sourced(0.22), 1310: sourced(0.35)}})
    with pytest.raises(ValueError, match="1310, 1550"):
        loss_terms(two, 850, 500, 2, 2)
