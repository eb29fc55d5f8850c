import pytest

from monitor.budgets.protection import (
    SURE_TO_TRIP,
    carries_load,
    conductor_carries,
    fault_amperes,
    short_burns_on,
    supply_carries,
    touchable,
)


def test_a_thin_feeder_never_trips_a_breaker() -> None:
    # The well-known case: 8.8 Ω of loop, 54 V, a 10 A breaker; 6.1 A flow and heat the cable with 330 W.
    amperes = fault_amperes(54, 8.8)
    assert amperes == pytest.approx(6.14, abs=0.01)
    assert amperes * 54 == pytest.approx(331, abs=1)
    finding = short_burns_on("breaker", 10, amperes)
    assert finding.bad
    assert "would burn on" in finding.sentence


@pytest.mark.parametrize(("kind", "factor"), [("electronic", 1.0), ("breaker", 1.45), ("fuse", 1.9)])
def test_the_current_at_which_each_kind_is_sure_to_open(kind: str, factor: float) -> None:
    # IEC 60898-1 table 7 (1.45·In), IEC 60269-1 table 2 (1.9·In for 4 to 16 A); from memory.
    assert SURE_TO_TRIP[kind] == factor
    assert not short_burns_on(kind, 4, 4 * factor).bad
    assert short_burns_on(kind, 4, 4 * factor - 0.01).bad


def test_protection_that_opens_in_normal_use() -> None:
    assert not carries_load("fuse", 2, 2.0, "hot_night").bad
    finding = carries_load("fuse", 2, 2.01, "hot_night")
    assert finding.bad
    assert "hot_night" in finding.sentence


def test_a_conductor_against_what_may_flow() -> None:
    assert not conductor_carries("4", 37, 37, 1, "a table").bad
    assert conductor_carries("4", 37, 38, 1, "a table").bad
    assert conductor_carries("4", 37, None, 37.5, "a table").bad
    assert conductor_carries("0.3", None, 1, 1, "").bad


def test_no_loop_is_refused_with_the_range() -> None:
    with pytest.raises(ValueError, match="outside 1e-06"):
        fault_amperes(54, 0)


def test_a_supply_may_give_all_it_has_and_no_more() -> None:
    assert not supply_carries(240, 240).bad
    assert supply_carries(240.1, 240).bad


def test_limits_beyond_which_other_codes_apply() -> None:
    # IEC 62368-1: ES1 up to 60 V DC; limited power source up to 100 W (annex Q, from memory).
    assert [(f.name, f.bad, f.note) for f in touchable(60, 100)] == [("over extra-low voltage", False, False)]
    assert touchable(60.1, 100)[0].bad
    energy = touchable(54, 100.1)[1]
    assert (energy.name, energy.bad, energy.note) == ("over limited power", False, True)
    assert "local codes" in energy.sentence
