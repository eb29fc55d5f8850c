import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.devices.decode import entity_sensor as sensor
from monitor.devices.decode import interfaces, power_ethernet
from monitor.devices.decode.raw import Absent, Garbled, Missing, Oid, Raw, Table, number, scaled, text
from monitor.devices.questions import Script, fill, script
from monitor.facts.readings import Round, Slot, State
from tests.golden.table import rows

# Numbers of RFC 6933, RFC 3433 and RFC 2863 objects; asserted here so that no table of ours moves unseen.
ENT, ALIAS, SENSOR = (
    (1, 3, 6, 1, 2, 1, 47, 1, 1, 1, 1),
    (1, 3, 6, 1, 2, 1, 47, 1, 3, 2, 1, 2),
    (1, 3, 6, 1, 2, 1, 99, 1, 1, 1),
)


def test_oids_are_those_of_the_rfcs() -> None:
    assert interfaces.SYS_UPTIME == (1, 3, 6, 1, 2, 1, 1, 3, 0)  # RFC 3418
    assert interfaces.IF_OPER_STATUS == (1, 3, 6, 1, 2, 1, 2, 2, 1, 8)  # RFC 2863
    assert interfaces.IF_HC_IN_OCTETS == (1, 3, 6, 1, 2, 1, 31, 1, 1, 1, 6)  # RFC 2863
    assert power_ethernet.DETECTION == (1, 3, 6, 1, 2, 1, 105, 1, 1, 1, 6)  # RFC 3621 pethPsePortDetectionStatus
    # RFC 3621 PethPsePortEntry: type is 9 and classifications 10, so the counters are not in one run.
    assert dict(power_ethernet._COUNTERS) == {
        8: "mps_absent_count",
        11: "invalid_signature_count",
        12: "power_denied_count",
        13: "overload_count",
        14: "short_count",
    }
    assert power_ethernet.CONSUMPTION_WATTS == (1, 3, 6, 1, 2, 1, 105, 1, 3, 1, 1, 4)  # pethMainPseConsumptionPower
    assert (*SENSOR, 4) == sensor.SENSOR_VALUE  # RFC 3433 entPhySensorValue


@pytest.mark.parametrize(("given_", "expected", "tolerance"), rows("sensors", "entity_sensor"))
def test_sensor_values_as_rfc_3433_says(given_: dict[str, Any], expected: dict[str, Any], tolerance: float) -> None:
    if expected["real"] == "overflow":
        with pytest.raises(Garbled, match="overflow"):
            sensor.real(given_["value"], given_["scale"], given_["precision"])
    else:
        value = sensor.real(given_["value"], given_["scale"], given_["precision"])
        assert value == pytest.approx(expected["real"], abs=max(tolerance, 1e-12))


@given(st.integers(-(10**9) + 1, 10**9 - 1), st.integers(1, 17), st.integers(-8, 9))
def test_sensor_values_are_exact_powers_of_ten(value: int, scale: int, precision: int) -> None:
    wanted = value * 10.0 ** (3 * (scale - 9) - precision)
    assert sensor.real(value, scale, precision) == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize(("scale", "precision"), [(0, 0), (18, 0), (9, 10), (9, -9)])
def test_scales_that_do_not_exist_are_garbled(scale: int, precision: int) -> None:
    with pytest.raises(Garbled):
        sensor.real(1, scale, precision)


def optic_table(value: int, scale: int = 7, kind: int = 6, words: bytes = b"RX power", units: bytes = b"uW") -> Table:
    """A module (entity 1000) with a port (1001, ifIndex 7) and one sensor (1014) in it."""
    return {
        (*ENT, 2, 1014): words,
        (*ENT, 4, 1014): 1000,
        (*ENT, 7, 1014): words,
        (*ENT, 4, 1001): 1000,
        (*ALIAS, 1001, 0): (1, 3, 6, 1, 2, 1, 2, 2, 1, 1, 7),
        (*SENSOR, 1, 1014): kind,
        (*SENSOR, 2, 1014): scale,
        (*SENSOR, 3, 1014): 1,
        (*SENSOR, 4, 1014): value,
        (*SENSOR, 5, 1014): 1,
        (*SENSOR, 6, 1014): units,
    }


def filled(asked: Script, table: Table) -> Round:
    return fill(asked, [table.get(oid) for oid in asked.oids], 0.0)


def light_of(table: Table) -> tuple[State, float | None]:
    asked = script("creek/switch", "measure", sensor.wants("creek", table, {7: "5"}))
    (reading,) = filled(asked, table)
    assert (reading.resource, reading.quantity) == ("creek/optic/5", "rx_dbm")
    return reading.state, reading.value


def test_light_in_microwatts_becomes_dbm() -> None:
    state, value = light_of(optic_table(1000))  # 100.0 µW = 0.1 mW
    assert state is State.SEEN
    assert value == pytest.approx(-10.0)


def test_no_light_is_minus_infinity_not_minus_forty() -> None:
    assert light_of(optic_table(0)) == (State.SEEN, -math.inf)


def test_dbm_said_in_the_units_column_is_taken_as_dbm_also_when_sent_unsigned() -> None:
    state, value = light_of(optic_table(2**32 - 72, scale=9, kind=1, units=b"dBm"))
    assert state is State.SEEN
    assert value == pytest.approx(-7.2)


@pytest.mark.parametrize(("status", "state"), [(1, State.SEEN), (2, State.ABSENT), (3, State.GARBLED)])
def test_sensor_status_of_rfc_3433(status: int, state: State) -> None:
    table = optic_table(1000)
    table[*SENSOR, 5, 1014] = status  # ok(1), unavailable(2), nonoperational(3)
    assert light_of(table)[0] is state


def test_an_optic_in_a_port_that_the_plan_does_not_use_is_not_taken_for_the_switch() -> None:
    table = optic_table(330, scale=9, kind=4, words=b"supply voltage")
    assert list(sensor.wants("creek", table, {9: "9"})) == []


def test_entities_that_contain_each_other_do_not_hang() -> None:
    table = optic_table(1000)
    table[*ENT, 4, 1000] = 1014
    del table[*ALIAS, 1001, 0]
    assert list(sensor.wants("creek", table, {7: "5"})) == []


def test_ports_by_name_by_pattern_and_by_number() -> None:
    names: Table = {
        (*interfaces.IF_NAME, 1): b"lo",
        (*interfaces.IF_NAME, 2): b"port1",
        (*interfaces.IF_NAME, 3): b"sfp9",
        (*interfaces.IF_TYPE, 1): 24,
        (*interfaces.IF_DESCR, 4): b"10",
    }
    assert interfaces.port_rows(names, ["1", "9", "10", "11"], "port{port}") == {"1": 2, "9": 3, "10": 4}


def test_a_port_that_cannot_be_told_for_sure_is_left_out() -> None:
    names: Table = {(*interfaces.IF_NAME, 2): b"slot1/5", (*interfaces.IF_NAME, 3): b"slot2/5"}
    assert interfaces.port_rows(names, ["5"], "{port}") == {}


def test_poe_classes_count_from_one() -> None:
    # RFC 3621 pethPsePortPowerClassifications: class0(1) .. class4(5).
    index: dict[str, Oid] = {"1": (1, 1)}
    asked = script("creek/switch", "measure", power_ethernet.wants("creek", index, [], {}))
    table: Table = {(*power_ethernet.CLASSIFICATION, 1, 1): 4}
    assert filled(asked, table).get(Slot("creek/port/1", "poe_class_state")) == 3


def test_silent_absent_and_garbled_are_three_things() -> None:
    index: dict[str, Oid] = {"1": (1, 1), "2": (1, 2), "3": (1, 3)}
    asked = script(
        "s", "m", [w for w in power_ethernet.wants("creek", index, [], {}) if w.slot.quantity == "poe_port_state"]
    )
    table: Table = {asked.wants[0].oid: Missing.NO_SUCH_INSTANCE, asked.wants[1].oid: b"N/A"}
    readings = filled(asked, table)
    assert [r.state for r in readings] == [State.ABSENT, State.GARBLED, State.SILENT]
    assert all(r.value is None for r in readings)
    assert "'N/A' came" in readings.reading(1).why


def test_a_number_that_stands_for_no_value_is_absent() -> None:
    with pytest.raises(Absent):
        scaled(0.001, (-1,))(-1)
    assert scaled(0.1)(55) == 5.5


raws = st.one_of(
    st.integers(-(2**70), 2**70),
    st.binary(max_size=300),
    st.lists(st.integers(0, 2**32)).map(tuple),
    st.sampled_from(list(Missing)),
)


@given(st.dictionaries(st.sampled_from(list(optic_table(0))), raws))
def test_whatever_an_agent_sends_becomes_readings_and_nothing_else(noise: dict[Oid, Raw]) -> None:
    table = {**optic_table(1000), **noise}
    asked = script("s", "m", sensor.wants("creek", table, {7: "5"}))
    for reading in filled(asked, table):
        assert (reading.value is None) == (reading.state is not State.SEEN)


@given(st.binary(max_size=500))
def test_text_from_devices_is_bounded_and_printable(raw: bytes) -> None:
    shown = text(raw)
    assert len(shown) <= 120
    assert shown.isprintable()


@given(raws)
def test_a_number_is_a_number_or_garbled(raw: Raw) -> None:
    if isinstance(raw, int):
        assert number(raw) == float(raw)
    else:
        with pytest.raises(Garbled):
            number(raw)
