"""The scope of each alarm type: by which signs it shows, and so which faults can be its cause, what to take along.

Which kind of fault can show as which alarm: common practice of the trade, no source.
"""

import pytest

from monitor.alarms import cautions, inference
from monitor.alarms.advice import ADVICE
from monitor.alarms.cause import cause_of
from monitor.alarms.faults import FAULTS
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.signs import SIGNS

SCOPES = [(name, key, signs) for name, kind in INVENTORY.items() for key, signs in kind.shown_by.items()]
IDS = [f"{name}-{key or 'all'}" for name, key, _ in SCOPES]
FIBRE_TOOLS = {"fibre cleaner and inspection scope", "two spare optics of each kind", "visual fault finder"}
WITH_FIBRE = {"pole-silent", "supply-lost", "head-end-silent", "light-fell", "light-low", "link-restless"}
"""Alarm types in which light or the path itself is in question, whatever they are of."""
OF_LOADS = ("load-silent", "service-refused", "stream-broken", "stream-thin", "load-quiet", "port-cut", "port-restless")
MAY_TOUCH_FIBRE = WITH_FIBRE | {"margin-drifting-rx_dbm", "margin-drifting-bias_milliamperes", "frames-broken-"}


@pytest.mark.parametrize(("name", "key", "signs"), SCOPES, ids=IDS)
def test_a_scope_names_signs_that_some_fault_makes(name: str, key: str, signs: tuple[str, ...]) -> None:
    assert set(signs) <= set(SIGNS)
    for sign in signs:
        assert any(sign in fault.signs for fault in FAULTS.values()), sign
    assert inference.explaining(signs).names


@pytest.mark.parametrize(("name", "key", "signs"), SCOPES, ids=IDS)
def test_fibre_tools_only_where_light_or_the_path_is_in_question(name: str, key: str, signs: tuple[str, ...]) -> None:
    """By any belief: no fault that such an alarm can have as its cause asks for them."""
    faults = inference.explaining(signs).names
    touched = [one for one in faults if FIBRE_TOOLS & set(ADVICE[one].van_list)]
    touched += [one for one in faults if cautions.FIBRE in ADVICE[one].cautions]
    assert not touched or {name, f"{name}-{key}"} & MAY_TOUCH_FIBRE, touched


@pytest.mark.parametrize("name", OF_LOADS)
def test_a_load_that_has_its_watts_and_link_is_told_with_what_loads_need(name: str) -> None:
    """Whatever else is known of its pole: it has just come back, its light is low, its battery empty."""
    pole = {"restarted": True, "light_near_fell": True, "bias_rose": True, "battery_was_low": True, "loop_rose": True}
    alive = {"pole_silent": False, "port_dead": False, "port_link_lost": False, "port_fault": False, "one_port": True}
    scope = INVENTORY[name].scope("", "load")
    cause = cause_of({**pole, **alive, scope[0]: True}, {}, shown_by=scope)
    assert FAULTS[cause.name].group in {"camera", "drop", "budget", "network"}, cause.suspects
    assert not FIBRE_TOOLS & set(cause.van_list)
    assert not {cautions.FIBRE, cautions.BATTERY} & set(cause.cautions)
    assert not [line for line in cause.evidence if "laser" in line or "battery" in line or "resistance" in line]


def test_a_scope_may_differ_by_what_the_alarm_is_of() -> None:
    broken, volts = INVENTORY["frames-broken"], INVENTORY["volts-low"]
    assert broken.scope("", "load") != broken.scope("")
    assert volts.scope("", "supply") == ("supply_wrong",)
    assert INVENTORY["margin-drifting"].scope("loop_ohms", "") == ("loop_rose",)
    assert INVENTORY["device-moved"].scope("", "load") == (), "nobody looks for a cause of that"
