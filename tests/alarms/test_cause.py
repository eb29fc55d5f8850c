"""Causes: the deciders of the trade (common practice, no source), what is unknown, what cannot be told."""

import re

import pytest

from monitor.alarms import inference
from monitor.alarms.advice import ADVICE, GROUPS
from monitor.alarms.cause import cause_of
from monitor.alarms.checks import CHECKS
from monitor.alarms.evidence import Evidence
from monitor.alarms.faults import FAULTS
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.settlement import Settlement, settle
from monitor.alarms.signs import CONTEXTS, SIGNS
from monitor.show.judged import cause_lines, cause_view
from tests.alarms.causes import caused

NOT_TOLD = "cannot tell"
CASES = [
    ("breaker: the current is gone, siblings are fine", Evidence("pole", False, 1.1, 0.0, 1.1, siblings=True), "power"),
    ("a far pole lost its power: its share is gone", Evidence("pole", False, 1.1, 0.68, 0.42, siblings=True), "power"),
    ("fibre cut: the pole still draws its current", Evidence("pole", False, 1.1, 1.08, 1.1, siblings=True), "path"),
    ("a far pole lost its fibre: its share stays", Evidence("pole", False, 1.1, 1.09, 0.42, siblings=True), "path"),
    ("a short that burns on", Evidence("pole", False, 1.1, 6.0, 1.1, siblings=True), "short"),
    ("light still comes from it", Evidence("pole", True, 1.1, 1.1, 1.1, siblings=True), "switch"),
    ("no meter: cannot be told", Evidence("pole", False, siblings=True), NOT_TOLD),
    ("no meter, its last word was power", Evidence("pole", False, gasped=True, siblings=True), "power"),
    ("solar behind a radio", Evidence("pole", None, own_supply=True, by_radio=True), "solar"),
    ("all poles of the supply", Evidence("supply"), "supply"),
    ("everything", Evidence("head-end"), "head-end"),
]


@pytest.mark.parametrize(("evidence", "group"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_what_decides(evidence: Evidence, group: str) -> None:
    cause = caused(evidence)
    if group == NOT_TOLD:
        assert cause.certainty == NOT_TOLD
        assert "current" in cause.look_first, "the meter at the head-end would tell power from path"
    else:
        assert cause.certainty == "most likely", cause.suspects
        assert cause.group == group


@pytest.mark.parametrize("evidence", [c[1] for c in CASES])
def test_every_cause_says_what_to_check_what_to_take_and_to_be_careful(evidence: Evidence) -> None:
    cause = caused(evidence)
    assert cause.look_first
    assert cause.van_list
    assert any("codes" in line for line in cause.cautions)
    assert cause.percent <= 90
    if "fibre cleaner and inspection scope" in cause.van_list:
        assert any("Never look into a fibre" in line for line in cause.cautions)
    if "multimeter and DC clamp" in cause.van_list:
        assert any("Isolate the feeder" in line or "Batteries" in line for line in cause.cautions)


def test_suspects_carry_their_probability_in_percent_to_a_tenth() -> None:
    signs = {"pole_silent": True, "link_down": True, "current_gone": True}
    network = inference.usual()
    belief = dict(inference.believe(network, inference.priors(network, {}, None), signs).by_fault)
    suspects = cause_of(signs, {}).suspects
    assert [one.percent for one in suspects] == [min(90, round(100 * belief[one.fault], 1)) for one in suspects]
    assert [one.percent for one in suspects] == sorted((one.percent for one in suspects), reverse=True)


def test_no_certainty_above_ninety_percent_is_shown_anywhere() -> None:
    """Neither of the cause nor of a suspect, in no sentence and in no document: the table is not better than that."""
    signs = {"pole_silent": False, "port_dead": False, "stream_lost": True, "few_octets": True, "picture_still": True}
    cause = cause_of({**signs, "one_port": True, "port_errors": False, "ping_lost": False}, {})
    belief = inference.believe(inference.usual(), inference.priors(inference.usual(), {}), signs)
    assert belief.by_fault[0][1] > 0.95, "else nothing is shown by this"
    assert (cause.percent, cause.suspects[0].percent) == (90, 90)
    assert max(one["probability"] for one in cause_view(cause)["causes"]) == 0.9
    lines = cause_lines(cause_view(cause))
    assert max(float(found) for found in re.findall(r"([0-9.]+) %", lines)) == 90
    assert "over" not in cause.sentence


SENTENCES = [
    *(check.words for check in CHECKS),
    *(line for advice in ADVICE.values() for line in (advice.words, advice.look_first, *advice.van_list)),
    *(line for sign in SIGNS.values() for line in (sign.seen, sign.unseen)),
    *(line for kind in INVENTORY.values() for line in (kind.meaning, kind.to_do)),
]


@pytest.mark.parametrize("sentence", SENTENCES)
def test_what_is_put_into_a_sentence_does_not_end_one(sentence: str) -> None:
    """Messages and lists end it with a point of their own, and go on after a semicolon."""
    assert sentence[-1] not in ".?!,;:", sentence
    assert not re.search(r"[?!.][,;:]", sentence), sentence


def test_a_check_that_tells_two_causes_apart_is_a_whole_sentence() -> None:
    silent = cause_of({"pole_silent": True, "link_down": True}, {})
    assert silent.certainty == "cannot tell"
    assert silent.look_first == f"{silent.check}; that tells these apart"
    assert "?" not in silent.look_first


def test_what_is_not_known_is_said_to_be_not_known() -> None:
    assert any("not known" in line for line in caused(Evidence("pole")).evidence)


def test_the_line_that_settles_it() -> None:
    assert settle(True) is Settlement.POWER
    assert settle(False) is Settlement.PATH
    assert settle(None) is Settlement.UNTOLD


def test_a_dying_gasp_decides_what_is_else_open_and_nothing_more() -> None:
    """Current that stays, or light that still comes, speaks louder than a datagram that anybody can send."""
    stays = Evidence("pole", False, amperes_before=1.0, amperes_now=0.95, share_amperes=0.9, gasped=True, siblings=True)
    assert caused(stays).group != "power"
    assert caused(Evidence("pole", uplink_up=True, gasped=True, siblings=True)).group == "switch"


def test_a_camera_that_hangs_is_told_from_its_cable() -> None:
    alive = {"pole_silent": False, "port_dead": False, "port_link_lost": False, "port_errors": False, "one_port": True}
    hung = cause_of({**alive, "stream_lost": True, "few_octets": True, "ping_lost": False}, {})
    assert (hung.name, hung.certainty) == ("camera-hung", "most likely")
    assert "switch its port off and on" in hung.look_first
    cable = cause_of({**alive, "port_errors": True, "port_slow": True, "stream_lost": False}, {})
    assert cable.name in ("copper-drop", "wet-gland")
    wet = cause_of({**alive, "port_errors": True, "port_slow": True, "with_wet": True, "mps_lost": True}, {"wet": True})
    assert wet.name == "wet-gland"


def test_the_table_is_whole() -> None:
    """Every fault of the list has words, a group that can be named, and signs and contexts that exist."""
    assert set(ADVICE) == set(FAULTS)
    assert {fault.number for fault in FAULTS.values()} == set(range(1, 36))
    for fault in FAULTS.values():
        assert fault.group in GROUPS
        assert set(fault.signs) <= set(SIGNS)
        assert set(fault.context) <= set(CONTEXTS)
        assert all(0 <= p < 1 for p in fault.signs.values())
        assert ADVICE[fault.name].cautions[-1].startswith("Local codes")


def test_signs_that_fit_nothing_are_said_to() -> None:
    """Light on the fibre, no current in its feeder, its battery full, a stranger, and nothing wrong: not one fault."""
    odd = {"pole_silent": True, "link_down": False, "current_gone": True, "siblings_lost": False, "restarted": False}
    odd |= {"broadcast": True, "bias_rose": True, "clock_off": True}
    assert cause_of(odd, {}).unknown_fault
    assert not caused(CASES[0][1]).unknown_fault
