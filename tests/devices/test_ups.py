"""UPS-MIB as RFC 1628 has it, and as real agents have it."""

import pytest

from monitor.devices.decode import ups
from monitor.devices.decode.raw import Absent, Raw, Table
from monitor.devices.questions import fill, script
from monitor.facts.readings import State


def read(table: Table) -> dict[str, float | State]:
    asked = script("meter/ups", "reach", ups.wants("house", table))
    readings = fill(asked, [table.get(one) for one in asked.oids], 0.0)
    return {
        slot.quantity: readings.values[i] if not readings.states[i] else State(readings.states[i])
        for i, slot in enumerate(asked.layout.slots)
    }


def objects(volts: Raw, mains: Raw, celsius: Raw, minutes: Raw, *more: int) -> Table:
    return {
        (*ups.BATTERY, 5, 0, *more): volts,
        (*ups.BATTERY, 4, 0, *more): 100,
        (*ups.BATTERY, 3, 0, *more): minutes,
        (*ups.BATTERY, 7, 0, *more): celsius,
        (*ups.INPUT, 3, 1, 3, 1, *more): mains,
        (*ups.OUTPUT, 1, 0, *more): 3,
    }


def test_as_the_rfc_has_it() -> None:
    assert read(objects(273, 231, 24, 52)) == {
        "battery_volts": 27.3,  # 0.1 RMS Volts DC
        "battery_percent": 100,
        "battery_left_seconds": 3120,  # estimated minutes
        "battery_c": 24,
        "mains_volts": 231,
        "ups_source_state": 3,  # normal: on mains
    }


def test_off_by_ten_and_one_index_more() -> None:
    got = read(objects(27, 2312, 241, 52, 0))
    assert (got["battery_volts"], got["mains_volts"], got["battery_c"]) == (27, 231.2, 24.1)


def test_minus_one_is_unknown_and_no_value() -> None:
    got = read(objects(2**32 - 1, 231, -1, -1))
    assert [got[q] for q in ("battery_volts", "battery_c", "battery_left_seconds")] == [State.ABSENT] * 3
    with pytest.raises(Absent):
        ups.unknown_absent(-1)
