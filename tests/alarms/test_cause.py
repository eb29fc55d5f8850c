"""First causes: the deciders of the trade (common practice, no source), what is unknown, what cannot be told."""

import pytest

from monitor.alarms.cause import Evidence, cause_of, settle

CASES = [
    ("breaker: the current is gone, siblings are fine", Evidence("pole", False, 1.1, 0.0, 1.1), "power"),
    ("fibre cut: the pole still draws its current", Evidence("pole", False, 1.1, 1.08, 1.1), "path"),
    ("a far pole lost its power: its share is gone", Evidence("pole", False, 1.1, 0.68, 0.42), "power"),
    ("a far pole lost its fibre: its share stays", Evidence("pole", False, 1.1, 1.09, 0.42), "path"),
    ("a short that burns on", Evidence("pole", False, 1.1, 6.0, 1.1), "short"),
    ("light still comes from it", Evidence("pole", True, 1.1, 1.1, 1.1), "switch"),
    ("no meter: cannot be told", Evidence("pole", False), "power-or-path"),
    ("no meter, but volts were at the limit", Evidence("pole", False, volts_before=44.2, volts_minimum=44), "power"),
    ("solar behind a radio", Evidence("pole", None, own_supply=True, by_radio=True), "power-or-path"),
    (
        "its radio port is up, which says nothing of the far end",
        Evidence("pole", True, own_supply=True, by_radio=True),
        "power-or-path",
    ),
    ("all poles of the supply", Evidence("supply"), "supply"),
    ("everything", Evidence("head-end"), "head-end"),
]


@pytest.mark.parametrize(("evidence", "name"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_what_decides(evidence: Evidence, name: str) -> None:
    cause = cause_of(evidence)
    assert cause.name == name
    assert (cause.certainty == "cannot tell") == (name == "power-or-path")


@pytest.mark.parametrize("evidence", [c[1] for c in CASES])
def test_every_cause_says_what_to_check_what_to_take_and_to_be_careful(evidence: Evidence) -> None:
    cause = cause_of(evidence)
    assert cause.look_first
    assert cause.van_list
    assert any("codes" in line for line in cause.cautions)
    if "fibre cleaner and inspection scope" in cause.van_list:
        assert any("Never look into a fibre" in line for line in cause.cautions)
    if "multimeter and DC clamp" in cause.van_list:
        assert any("Isolate the feeder" in line or "Batteries" in line for line in cause.cautions)


def test_what_is_not_known_is_said_to_be_not_known() -> None:
    assert any("not known" in line for line in cause_of(Evidence("pole")).evidence)


def test_the_line_that_settles_it() -> None:
    assert "power" in settle(True)
    assert "path" in settle(False)
    assert settle(None) == ""


def test_a_dying_gasp_decides_what_is_else_open_and_nothing_more() -> None:
    gasped = cause_of(Evidence("pole", uplink_up=False, gasped=True))
    assert gasped.name == "power"
    assert "last word" in gasped.sentence
    assert cause_of(Evidence("pole", uplink_up=False)).name != "power"
    # Current that stays, or light that still comes, speaks louder than a datagram that anybody can send.
    stays = Evidence("pole", uplink_up=False, amperes_before=1.0, amperes_now=0.95, share_amperes=0.9, gasped=True)
    assert cause_of(stays).name == "path"
    assert cause_of(Evidence("pole", uplink_up=True, gasped=True)).name == "switch"
