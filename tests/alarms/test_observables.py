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
