import math

import pytest

from monitor.facts.latest import Latest
from monitor.facts.quantities import QUANTITIES, UNITS
from monitor.facts.readings import Layout, Reading, Round, Slot, State

RX, VOLTS = Slot("creek/optic/5", "rx_dbm"), Slot("creek/switch", "input_volts")
LAYOUT = Layout("creek/switch", "measure", (RX, VOLTS))


def test_a_value_is_given_exactly_when_it_was_seen() -> None:
    with pytest.raises(ValueError, match="exactly when"):
        Reading("creek", "rx_dbm", 0.0, State.SILENT, 0.0)
    with pytest.raises(ValueError, match="exactly when"):
        Reading("creek", "rx_dbm", 0.0, State.SEEN)


def test_what_cannot_exist_is_garbled_and_never_kept_as_a_number() -> None:
    readings = Round.blank(LAYOUT, 10.0, State.SILENT)
    readings.put(1, 4294967.0)
    assert readings.states[1] == State.GARBLED
    assert math.isnan(readings.values[1])
    assert "outside 0 to 80 volts" in readings.reading(1).why


def test_no_light_is_a_value() -> None:
    readings = Round.blank(LAYOUT, 10.0, State.SILENT)
    readings.put(0, -math.inf)
    assert readings.reading(0).value == -math.inf
    assert readings.get(VOLTS) is None


def test_a_slot_stands_once_in_a_layout() -> None:
    with pytest.raises(ValueError, match="twice"):
        Layout("creek/switch", "measure", (RX, RX))


def test_every_quantity_ends_in_a_known_unit_and_has_a_sane_range() -> None:
    for quantity in QUANTITIES.values():
        assert quantity.unit in UNITS
        assert quantity.low < quantity.high
        assert quantity.resolution > 0
        assert quantity.meaning


def test_latest_keeps_the_last_value_that_was_seen_beside_the_last_reading() -> None:
    latest = Latest()
    first = Round.blank(LAYOUT, 10.0, State.SILENT)
    first.put(0, -7.0)
    latest.take(first)
    latest.take(Round.blank(LAYOUT, 70.0, State.SILENT))
    reading = latest.reading(RX)
    assert reading is not None
    assert reading.state is State.SILENT
    assert latest.last_seen(RX) == (-7.0, 10.0)
    assert latest.value(RX, since_s=60.0) is None
    assert latest.value(RX, since_s=5.0) == -7.0
    assert latest.reading(Slot("ridge", "rx_dbm")) is None
