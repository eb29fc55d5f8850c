"""Observables of a file of evidence: what each may say, what it means, and what is refused with its name."""

import pytest

from monitor.alarms.cause import cause_of
from monitor.alarms.observables import EVERY, Misread, read
from monitor.alarms.signs import SIGNS


@pytest.mark.parametrize(
    ("evidence", "fault"),
    [
        ({"U": "down", "ag": "no", "I": {"before": 1.1, "now": 0.0}, "sc": "pole"}, "feeder-dead"),
        ({"U": "down", "ag": "no", "I": "unchanged", "sc": "pole", "upt": "continued"}, "fibre-cut"),
        ({"U": "down", "ag": "no", "sc": "all"}, "head-end-off"),
        ({"U": "down", "ag": "no", "I": 0.0, "sc": "supply", "V": "noisy"}, "supply-lost"),
        ({"U": "down", "ag": "no", "I": "high", "sc": "pole"}, "feeder-short"),
        ({"U": "up", "ag": "yes", "ic": "yes", "rt": "no", "by": 0, "sc": "port", "pS": "delivering"}, "camera-hung"),
        ({"ag": "yes", "rxH": -2.1, "rxP": -2.0, "txP": 0.0, "bP": 0}, "dirty-connector"),
        ({"ag": "yes", "rxH": -1.0, "rxP": -3.4, "txP": 0.0, "ctx": ["cold"], "shape": "W"}, "fibre-bend"),
        ({"ag": "yes", "R": "rising", "V": 47.0}, "corroded-joint"),
        ({"ag": "yes", "bP": "rising", "txP": -1.0, "rxH": -1.1}, "laser-ageing"),
        ({"ag": "slow", "sc": "ports", "broadcast": True, "uplink_full": True}, "broadcast-storm"),
        ({"ag": "yes", "cDn": 3, "pW": 0, "sc": "port"}, "poe-denied"),
        ({"ag": "yes", "cMp": 1, "cOv": 0, "cSh": 0, "err": "no", "sc": "port"}, "mps-absent"),
        ({"ag": "yes", "err": "wet only", "spd": 10, "cMp": 2, "sc": "port", "ctx": {"wet": True}}, "wet-gland"),
        ({"ag": "yes", "err": "late collisions", "sc": "port"}, "duplex-mismatch"),
    ],
)
def test_signatures_of_the_trade(evidence: dict[str, object], fault: str) -> None:
    """The deciders of the list of faults (common practice, no source)."""
    signs, contexts = read(evidence)
    assert set(signs) <= set(SIGNS)
    assert cause_of(signs, contexts).suspects[0].fault == fault


@pytest.mark.parametrize(
    ("evidence", "signs"),
    [
        ({"U": "up"}, {"link_down": False}),
        ({"rxH": "dark"}, {"link_down": True}),
        ({"rxP": "dark"}, {"light_far_fell": True}),
        ({"txP": "dark"}, {"tx_fell": True}),
        ({"bP": 11}, {"bias_rose": True}),
        ({"bP": 10}, {"bias_rose": False}),
        ({"rxH": "falling"}, {"light_near_fell": True, "gradual": True}),
        ({"rxH": "normal"}, {"light_near_fell": False}),
        ({"rxH": -0.5}, {"light_near_fell": True}),
        ({"rxH": -0.4}, {"light_near_fell": False}),
        ({"rxH": -1.0, "rxP": -1.3}, {"light_unequal": False}),
        ({"rxH": -1.0, "rxP": -3.4}, {"light_unequal": True}),
        ({"R": "rising"}, {"loop_rose": True, "gradual": True}),
        ({"R": "normal"}, {"loop_rose": False}),
        ({"I": "high"}, {"current_high": True, "current_gone": False}),
        ({"I": {"before": 1.0, "now": 1.0}}, {"current_high": False, "current_gone": False}),
        ({"I": {"before": 0.0, "now": 1.0}}, {}),
        ({"V": "low at night"}, {"volts_follow_load": True, "volts_low": True, "at_night": True}),
        ({"V": "noisy"}, {"supply_wrong": True}),
        ({"pS": 1}, {"port_dead": True, "port_fault": False}),
        ({"pS": 2}, {"port_dead": True, "port_fault": False}),
        ({"pS": 3}, {"port_dead": False, "port_fault": False}),
        ({"pS": 4}, {"port_dead": True, "port_fault": True}),
        ({"pS": 6}, {"port_dead": True, "port_fault": True}),
        ({"cSh": 0}, {"shorts": False}),
        ({"cSh": 2}, {"shorts": True}),
        ({"cIv": "no"}, {"class_changed": None}),
        ({"spd": 10}, {"port_slow": True}),
        ({"spd": 100}, {"port_slow": False}),
        ({"sc": "ports"}, {"pole_silent": False, "one_port": False, "several_ports": True}),
        ({"sc": "pole"}, {"siblings_lost": False, "all_lost": False}),
        ({"sc": "all"}, {"siblings_lost": True, "all_lost": True}),
        ({"shape": ["D", "W"]}, {"at_night": True, "with_wet": True}),
        ({"V": "low everywhere"}, {"supply_wrong": True, "volts_low": True}),
        ({"V": "follows load"}, {"volts_follow_load": True, "volts_low": True}),
        ({"U": "down", "ag": "no"}, {"pole_silent": True}),
        ({"U": "down"}, {"pole_silent": "left out"}),
        ({"U": "up", "ag": "no"}, {"pole_silent": "left out"}),
        ({"U": "down", "ag": "yes"}, {"pole_silent": False}),
        ({"U": "down", "ag": "no", "sc": "port"}, {"pole_silent": False}),
        ({"U": "down", "ag": "no", "ic": "yes"}, {"pole_silent": False}),
    ],
)
def test_what_each_word_means(evidence: dict[str, object], signs: dict[str, object]) -> None:
    found, _ = read(evidence)
    assert {name: found.get(name, "left out") for name in signs} == signs


def test_null_and_left_out_are_the_same() -> None:
    whole: dict[str, object] = dict.fromkeys(EVERY)
    assert read({**whole, "U": "down"})[0] == read({"U": "down"})[0]


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        ({"U": "sideways"}, "U: 'sideways' is not known; it may be up, yes, down, no"),
        ({"Uu": "down"}, "Uu: no such observable; did you mean U"),
        ({"ctx": ["dust"]}, "ctx: 'dust' is not known; known are dusk"),
        ({"link_down": "yes"}, "link_down: 'yes' is not true, false or null"),
        ({"sc": 3}, "sc: a number means nothing here"),
        ({"shape": 7}, "shape: 7 is neither a list of words nor one word"),
    ],
)
def test_what_it_cannot_be_is_refused_with_its_name(evidence: dict[str, object], words: str) -> None:
    with pytest.raises(Misread, match=words.replace("(", r"\(")):
        read(evidence)


def test_behind_a_silent_pole_nothing_is_known_of_its_loads() -> None:
    signs, _ = read({"U": "down", "ag": "no", "rt": "no", "by": 0, "sc": "pole"})
    assert signs["pole_silent"] is True
    assert signs["stream_lost"] is None
    assert signs["few_octets"] is None
