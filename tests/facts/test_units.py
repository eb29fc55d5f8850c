import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.facts import units
from tests.golden.table import rows


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("units", "mw_to_dbm"))
def test_milliwatts_to_dbm_as_published(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    dbm = units.mw_to_dbm(given_["mw"])
    if expected["dbm"] == "-inf":
        assert dbm == -math.inf  # SFF-8472: zero counts is no light, not −40 dBm
    else:
        assert dbm == pytest.approx(expected["dbm"], abs=tolerance)


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("units", "c_to_f"))
def test_celsius_to_fahrenheit_as_published(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    assert units.c_to_f(given_["c"]) == pytest.approx(expected["f"], abs=tolerance)


@given(st.floats(-60, 20))
def test_dbm_and_milliwatts_are_inverse(dbm: float) -> None:
    assert units.mw_to_dbm(units.dbm_to_mw(dbm)) == pytest.approx(dbm, abs=1e-9)


@given(st.floats(-100, 150))
def test_temperatures_are_inverse(celsius: float) -> None:
    assert units.f_to_c(units.c_to_f(celsius)) == pytest.approx(celsius, abs=1e-9)


def test_negative_power_is_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        units.mw_to_dbm(-0.1)


# NEC Chapter 9 Table 8, circular mils (tables in many handbooks); 1 cmil = 5.067e-4 mm².
@pytest.mark.parametrize(("gauge", "circular_mils"), [(18, 1620), (14, 4110), (12, 6530), (10, 10380), (6, 26240)])
def test_wire_gauges_agree_with_nec_table_8(gauge: int, circular_mils: float) -> None:
    assert units.awg_to_mm2(gauge) == pytest.approx(circular_mils * units.MM2_PER_CIRCULAR_MIL, rel=0.003)


def test_wire_gauge_out_of_range_names_the_range() -> None:
    with pytest.raises(ValueError, match="0 to 40"):
        units.awg_to_mm2(41)
