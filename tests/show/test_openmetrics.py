"""OpenMetrics, read back by the library's own parser."""

import math

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from monitor.daemon.design import Design
from monitor.daemon.memory import Memory
from monitor.show.openmetrics import exposition
from monitor.show.picture import compose
from tests.show.test_picture import NOW_S, RX, WELL, silence, take


@pytest.fixture
def memory(design: Design) -> Memory:
    made = Memory(design)
    made.watches = dict.fromkeys(design.places, WELL)
    return made


def samples(memory: Memory, wrong_passwords: int | None = None) -> dict[tuple[str, str], float]:
    text = exposition(compose(memory, NOW_S + 30, "1"), wrong_passwords=wrong_passwords).decode()
    assert text.endswith("# EOF\n")
    families = text_string_to_metric_families(text)  # type: ignore[no-untyped-call]  # the library's function has no types
    return {(s.name, ",".join(s.labels.values())): s.value for family in families for s in family.samples}


def test_a_value_stands_beside_its_margin_and_its_age(memory: Memory) -> None:
    take(memory, RX, -9.0)
    found = samples(memory)
    assert found["farpole_light_dbm", RX.resource] == -9.0
    assert found["farpole_light_margin_decibels", RX.resource] == 6.0
    assert found["farpole_reading_age_seconds", f"rx_dbm,{RX.resource}"] == 30.0


def test_what_is_not_known_is_absent_not_zero(memory: Memory) -> None:
    found = samples(memory)
    assert not [key for key in found if key[0] == "farpole_light_dbm"]
    silence(memory, "creek", "ridge")
    found = samples(memory)
    assert found["farpole_place_answers", "creek"] == 0
    assert ("farpole_place_answers", "ridge") not in found, "not seen is not known"
    assert found["farpole_alarms_standing", "critical"] == 1


def test_no_light_is_minus_infinity(memory: Memory) -> None:
    take(memory, RX, -math.inf)
    assert samples(memory)["farpole_light_dbm", RX.resource] == -math.inf


def test_wrong_passwords_are_counted_without_names_or_addresses(memory: Memory) -> None:
    """A counter's sample ends in _total (OpenMetrics 1.0, 5.1)."""
    assert samples(memory, 7)["farpole_wrong_passwords_total", ""] == 7
    assert not [key for key in samples(memory) if "password" in key[0]]


def test_labels_are_bounded_by_the_plan(memory: Memory) -> None:
    take(memory, RX, -9.0)
    known = memory.design.resources() | set(memory.design.places) | {"warning", "minor", "major", "critical"}
    assert {label.split(",")[-1] for _, label in samples(memory)} <= known
