"""The table of faults, beside the list of faults that it carries out (common practice of the trade, no source)."""

from collections import defaultdict

from monitor.alarms.faults import FAULTS
from monitor.alarms.inference import SOLAR_SHARE, network_of, priors
from monitor.alarms.record import MOST, factors
from monitor.alarms.settlement import Settlement


def test_only_a_lost_supply_and_a_lost_path_have_more_than_one_form() -> None:
    """Number 2 is farm power or the head-end, number 3 a cut, a plug or both at once; each other fault is one line."""
    forms = defaultdict(set)
    for fault in FAULTS.values():
        forms[fault.number].add(fault.name)
    assert {number: names for number, names in forms.items() if len(names) > 1} == {
        2: {"supply-lost", "head-end-off"},
        3: {"fibre-cut", "connector-loose", "cable-cut"},
    }


def test_no_fault_is_expected_every_year_and_circumstances_only_add() -> None:
    for fault in FAULTS.values():
        assert 0 < fault.per_year < 1, fault.name
        assert all(factor > 1 for factor in fault.context.values()), fault.name
        assert fault.only in ("", "fed", "solar", "fibre")


def test_how_likely_a_fault_is_follows_from_the_plan() -> None:
    """By hand from the rates: what a pole has not, it cannot lose; of what is not said, the usual share of poles."""
    few = ("feeder-dead", "battery-aged", "fibre-cut", "switch-hang")
    network = network_of([FAULTS[name] for name in few], {"link_down": 0.01}, pairs=False)
    rates = {name: FAULTS[name].per_year for name in few}
    for contexts, without, share in (
        ({"solar": True, "radio": True}, {"feeder-dead", "fibre-cut"}, 1.0),
        ({"solar": True, "radio": False}, {"feeder-dead"}, 1.0),
        ({"solar": False, "radio": True}, {"fibre-cut", "battery-aged"}, 1.0),
        ({}, set[str](), SOLAR_SHARE),
    ):
        wanted = {name: 0.0 if name in without else rate for name, rate in rates.items()}
        wanted["battery-aged"] *= share
        found = dict(zip(few, priors(network, contexts).tolist(), strict=True))
        whole = sum(wanted.values())
        assert all(abs(found[name] - wanted[name] / whole) < 1e-12 for name in few)


def test_what_was_settled_here_weighs_half_a_case_and_no_more_than_three_times() -> None:
    assert factors([]) == {}
    assert factors([Settlement.UNTOLD, Settlement.NOT_IN_PLAN]) == {}
    assert factors([Settlement.PATH]) == {"fibre-cut": 1.25, "connector-loose": 1.25}
    assert factors([Settlement.PATH] * 2)["fibre-cut"] == 1.5
    assert factors([Settlement.PATH] * 99) == {"fibre-cut": MOST, "connector-loose": MOST} != {}
    power = factors([Settlement.POWER])
    assert set(power.values()) == {1 + 0.5 / len(power)}
    assert "feeder-dead" in power
    assert "fibre-cut" not in power
