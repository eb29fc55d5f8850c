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


def both(*names: str) -> list[tuple[str, dict[str, bool | None], dict[str, bool | None]]]:
    """Observables that count something: what a figure, yes or rising, and none of it, says of one sign."""
    return [(name, {sign: True}, {sign: False}) for name, sign in (one.split() for one in names)]


@pytest.mark.parametrize(
    ("name", "seen", "unseen"),
    [
        *both("fH frame_errors", "fP frame_errors", "cOv overloads", "cSh shorts", "cDn denials", "cMp mps_lost"),
        *both("gasp gasped"),
        ("cIv", {"class_changed": True}, {"class_changed": None}),
    ],
)
def test_what_is_counted_is_seen_from_one_on(
    name: str, seen: dict[str, bool | None], unseen: dict[str, bool | None]
) -> None:
    for value in (1, 0.5, True, "yes", "rising", "Yes"):
        assert read({name: value})[0] == seen
    for value in (0, False, "no", "normal", "steady"):
        assert read({name: value})[0] == unseen


GONE, GOES_ON = {"current_gone": True, "current_high": False}, {"current_gone": False, "current_high": False}
HIGH = {"current_gone": False, "current_high": True}


@pytest.mark.parametrize(
    ("evidence", "signs"),
    [
        ({"U": True}, {"link_down": False}),
        ({"U": "yes"}, {"link_down": False}),
        ({"U": False}, {"link_down": True}),
        ({"U": "down"}, {"link_down": True}),
        ({"rxH": "low"}, {"light_near_fell": True}),
        ({"rxH": "no light"}, {"link_down": True}),
        ({"rxP": "none"}, {"light_far_fell": True}),
        ({"rxP": "comes and goes"}, {"light_comes_and_goes": True}),
        ({"rxP": -0.5}, {"light_far_fell": True}),
        ({"txP": -0.4}, {"tx_fell": False}),
        ({"rxH": -0.5, "rxP": -1.0}, {"light_near_fell": True, "light_far_fell": True, "light_unequal": False}),
        ({"rxH": -0.5, "rxP": -1.1}, {"light_near_fell": True, "light_far_fell": True, "light_unequal": True}),
        ({"rxH": -0.4, "rxP": -3.4}, {"light_near_fell": False, "light_far_fell": True}),
        ({"bP": "rising"}, {"bias_rose": True, "gradual": True}),
        ({"bP": "yes"}, {"bias_rose": True}),
        ({"bP": "baseline"}, {"bias_rose": False}),
        ({"R": 0.3}, {"loop_rose": False}),
        ({"R": 0.31}, {"loop_rose": True}),
        ({"R": "no"}, {"loop_rose": False}),
        ({"tP": 70.0}, {"optic_hot": False}),
        ({"tP": 70.5}, {"optic_hot": True}),
        ({"tP": "hot"}, {"optic_hot": True}),
        ({"tP": True}, {"optic_hot": True}),
        ({"tP": "normal"}, {"optic_hot": False}),
        ({"tP": "no"}, {"optic_hot": False}),
        ({"ag": "yes"}, {"agent_silent": False, "agent_slow": False, "pole_silent": False}),
        ({"ag": "no"}, {"agent_silent": True}),
        ({"ag": "slow"}, {"agent_silent": False, "agent_slow": True, "pole_silent": False}),
        ({"upt": "continued"}, {"restarted": False}),
        ({"upt": "reset"}, {"restarted": True}),
        ({"upt": "restarted"}, {"restarted": True}),
        ({"V": 46.0}, {"volts_low": False}),
        ({"V": 45.9}, {"volts_low": True}),
        ({"V": "normal"}, {"volts_low": False, "volts_follow_load": False}),
        ({"V": "low"}, {"volts_low": True}),
        ({"V": "high"}, {"supply_wrong": True}),
        ({"I": "gone"}, GONE),
        ({"I": "zero"}, GONE),
        ({"I": 0.04}, GONE),
        ({"I": 0.05}, {"current_gone": False}),
        ({"I": 1}, {"current_gone": False}),
        ({"I": "unchanged"}, GOES_ON),
        ({"I": "normal"}, GOES_ON),
        ({"I": "high"}, HIGH),
        ({"I": {"before": 10, "now": 3}}, GOES_ON),
        ({"I": {"before": 10, "now": 2.9}}, GONE),
        ({"I": {"before": 10, "now": 13}}, GOES_ON),
        ({"I": {"before": 10, "now": 13.1}}, HIGH),
        ({"I": {"before": 0, "now": 1}}, {}),
        ({"I": {"before": 0.9, "now": 0.9}}, GOES_ON),
        ({"I": {"before": None, "now": 1}}, {}),
        ({"I": {"before": 1}}, {}),
        ({"pW": 0.3}, {"port_dead": False}),
        ({"pW": 0.29}, {"port_dead": True}),
        ({"pW": "zero"}, {"port_dead": True}),
        ({"pW": "normal"}, {"port_dead": False, "watts_saw_tooth": False}),
        ({"pW": "saw-tooth"}, {"watts_saw_tooth": True}),
        ({"pS": "delivering"}, {"port_dead": False, "port_fault": False}),
        ({"pS": "searching"}, {"port_dead": True, "port_fault": False}),
        ({"pS": "off"}, {"port_dead": True, "port_fault": False}),
        ({"pS": "fault"}, {"port_dead": True, "port_fault": True}),
        ({"pS": 5}, {}),
        ({"spd": "fell"}, {"port_slow": True}),
        ({"spd": "down"}, {"port_slow": True}),
        ({"spd": "normal"}, {"port_slow": False}),
        ({"spd": 99}, {"port_slow": True}),
        ({"err": "rising"}, {"port_errors": True}),
        ({"err": "yes"}, {"port_errors": True}),
        ({"err": 0.5}, {"port_errors": True}),
        ({"err": 0}, {"port_errors": False}),
        ({"err": "no"}, {"port_errors": False}),
        ({"err": "normal"}, {"port_errors": False}),
        ({"err": "wet only"}, {"port_errors": True, "with_wet": True}),
        ({"err": "late collisions"}, {"port_errors": True, "late_collisions": True}),
        ({"ic": "yes"}, {"ping_lost": False, "pole_silent": False}),
        ({"ic": "no"}, {"ping_lost": True}),
        ({"rt": "yes"}, {"stream_lost": False}),
        ({"rt": "no"}, {"stream_lost": True}),
        ({"by": 2000}, {"few_octets": False}),
        ({"by": 1999.5}, {"few_octets": True}),
        ({"by": "zero"}, {"few_octets": True}),
        ({"by": "no"}, {"few_octets": True}),
        ({"by": "yes"}, {"few_octets": False}),
        ({"by": "normal"}, {"few_octets": False}),
        ({"fr": "changing"}, {"picture_still": False}),
        ({"fr": "yes"}, {"picture_still": False}),
        ({"fr": "constant"}, {"picture_still": True}),
        ({"fr": "no"}, {"picture_still": True}),
        ({"breaker": "open"}, {"breaker_open": True}),
        ({"breaker": "yes"}, {"breaker_open": True}),
        ({"breaker": "closed"}, {"breaker_open": False}),
        ({"breaker": "no"}, {"breaker_open": False}),
        ({"sc": "port"}, {"pole_silent": False, "siblings_lost": False, "all_lost": False, "one_port": True}),
        ({"sc": "ports"}, {"pole_silent": False, "siblings_lost": False, "one_port": False, "several_ports": True}),
        ({"sc": "pole"}, {"siblings_lost": False, "all_lost": False}),
        ({"sc": "feeder"}, {"siblings_lost": True, "all_lost": False}),
        ({"sc": "supply"}, {"siblings_lost": True, "all_lost": False}),
        ({"sc": "all"}, {"siblings_lost": True, "all_lost": True}),
        ({"shape": "S"}, {"gradual": False}),
        ({"shape": "r"}, {"gradual": True}),
        ({"shape": "d, x"}, {"at_night": True, "light_comes_and_goes": True}),
        ({"shape": {"w": True, "d": False}}, {"with_wet": True}),
        ({"shape": None}, {}),
        ({"gasped": True, "renumbered": False, "stranger": None}, {"gasped": True, "renumbered": False}),
    ],
)
def test_a_word_or_a_figure_says_this_and_nothing_else(evidence: dict[str, object], signs: dict[str, object]) -> None:
    """What is not said stays unknown: a word of one sign decides nothing of another."""
    assert read(evidence) == (signs, {})


@pytest.mark.parametrize("scope", [None, "pole", "feeder", "supply", "all"])
def test_a_pole_is_silent_where_its_link_is_down_its_agent_silent_and_nothing_answers(scope: str | None) -> None:
    dark = {"U": "down", "ag": "no", "sc": scope}
    assert read(dark)[0]["pole_silent"] is True
    assert read({**dark, "ic": "no"})[0]["pole_silent"] is True
    assert read({**dark, "ic": "yes"})[0]["pole_silent"] is False
    assert read({**dark, "pole_silent": False})[0]["pole_silent"] is False, "what was said goes before what follows"
    assert read({"ic": "no", "sc": scope})[0].get("pole_silent") is None, "a camera alone says nothing of the pole"


def test_behind_a_silent_pole_all_that_hangs_on_it_is_unknown() -> None:
    behind = ("ping_lost", "stream_lost", "few_octets", "picture_still", "port_link_lost", "port_dead")
    signs, _ = read({"pole_silent": True, **dict.fromkeys(behind, True), "optic_hot": True})
    assert {name: signs[name] for name in behind} == dict.fromkeys(behind)
    assert signs["optic_hot"] is True
    signs, _ = read({"pole_silent": False, **dict.fromkeys(behind, True)})
    assert {name: signs[name] for name in behind} == dict.fromkeys(behind, True)


def test_circumstances_are_words_of_their_own() -> None:
    for value in (["wet", "storm"], "wet, storm", {"wet": True, "storm": 1, "cold": False}):
        assert read({"ctx": value}) == ({}, {"wet": True, "storm": True})
    assert read({"ctx": []}) == ({}, {})


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        ({"nonsense-that-is-like-nothing": 1}, "nonsense-that-is-like-nothing: no such observable$"),
        ({"by": "many"}, "by: 'many' is not known; it may be zero, no, normal, yes or a number$"),
        ({"ag": "perhaps"}, "ag: 'perhaps' is not known; it may be yes, no, slow$"),
        ({"shape": ["q"]}, "shape: 'q' is not known; known are s, r, d, w, x$"),
        ({"I": "often"}, "I: 'often' is not known"),
        ({"gasped": 1}, "gasped: 1 is not true, false or null"),
    ],
)
def test_a_refusal_names_the_observable_and_what_it_may_say(evidence: dict[str, object], words: str) -> None:
    with pytest.raises(Misread, match=f"^{words}"):
        read(evidence)
