"""Unit proof: one unit is used, two are asked about, none is never guessed."""

from monitor.devices.decode.columns import Ports, proofs_of, wants_of_switch
from monitor.devices.decode.raw import Raw, Table, oid
from monitor.devices.decode.units import Evidence, prove
from monitor.devices.questions import fill, script
from monitor.facts.readings import Slot, State
from monitor.plan.datasheets import Column, DeviceSheet


def units(proof_of: object) -> set[str]:
    return {conversion.words for conversion in proof_of.kept}  # type: ignore[attr-defined]  # a Proof


def test_a_negative_number_is_in_dbm_and_the_plan_tells_its_size() -> None:
    alone = prove("rx_dbm", {9: -742, 10: -1287})
    assert units(alone) == {"0.01 dbm", "0.001 dbm"}  # −7.42 and −0.742 dBm can both be
    assert "no power of light" in alone.struck["milliwatts"] or "outside" in alone.struck["milliwatts"]
    assert "outside" in alone.struck["0.1 dbm"]
    planned = prove("rx_dbm", {9: -742, 10: -1287}, Evidence(expected={10: (-15.0, -9.0)}))
    assert units(planned) == {"0.01 dbm"}


def test_a_positive_count_may_be_two_things_and_is_asked() -> None:
    # 5012: 501.2 µW (−3.0 dBm) or 5,012 nW (−23.0 dBm), and more.
    proof = prove("rx_dbm", {9: 5012})
    assert proof.conversion is None
    assert len(proof.kept) > 1
    assert "is it row 9" in proof.question
    assert "?" in proof.question


def test_what_the_plan_expects_decides_between_them() -> None:
    proof = prove("rx_dbm", {9: 5012}, Evidence(expected={9: (-6.0, -3.0)}))
    assert units(proof) == {"0.1 microwatts"}
    assert any("the plan expects" in why for why in proof.struck.values())


def test_the_modules_own_thresholds_decide() -> None:
    # Low alarm to high alarm in tenths of a microwatt: −20.0, −18.0, −1.0, 0.0 dBm.
    proof = prove("rx_dbm", {9: 5012}, Evidence(thresholds={9: (100, 158, 7943, 10000)}))
    assert units(proof) == {"0.1 microwatts"} or "0.1 microwatts" in units(proof)
    falling = prove("rx_dbm", {9: 5012}, Evidence(thresholds={9: (10000, 158, 7943, 100)}))
    assert falling.kept == ()
    assert "another column" in falling.question


def test_port_watts_by_the_class_and_by_the_switchs_total() -> None:
    # Class 3 delivers at most 15.4 W at the port (IEEE 802.3-2018 table 33-7).
    values: dict[int, Raw] = {1: 62, 2: 118, 3: 0}
    most = {1: 15.4, 2: 15.4, 3: 15.4}
    assert "0.1 watts" in units(prove("port_watts", values, Evidence(most=most)))
    assert "watts" not in units(prove("port_watts", values, Evidence(most=most)))
    assert units(prove("port_watts", values, Evidence(most=most, total=18.0))) == {"0.1 watts"}


def test_a_column_without_values_proves_nothing() -> None:
    assert prove("rx_dbm", {}).conversion is None
    assert prove("rx_dbm", {9: b"abc"}).conversion is None


def sheet(unit: str) -> DeviceSheet:
    column = Column.model_validate(
        {"oid": "1.3.6.1.4.1.32473.7.1", "quantity": "rx_dbm", "per": "optic", "unit": unit, "source": "invented"}
    )
    return DeviceSheet(title="invented", columns=[column])


LIGHT: Table = {(*oid("1.3.6.1.4.1.32473.7.1"), 9): 5012}


def read(ports: Ports) -> tuple[State, float | None, str]:
    asked = script("creek/switch", "measure", wants_of_switch(sheet("to-prove"), ports, LIGHT))
    reading = fill(asked, [LIGHT.get(one) for one in asked.oids], 0.0).reading(0)
    return reading.state, reading.value, reading.why


def test_in_a_round_an_unproven_unit_is_garbled_with_the_question_and_never_a_number() -> None:
    state, value, why = read(Ports("creek", {"5": 9}, ()))
    assert (state, value) == (State.GARBLED, None)
    assert "is it row 9" in why


def test_in_a_round_a_proven_unit_is_used() -> None:
    ports = Ports("creek", {"5": 9}, (), {Slot("creek/optic/5", "rx_dbm"): (-6.0, -3.0)})
    state, value, _ = read(ports)
    assert state is State.SEEN
    assert value is not None
    assert abs(value + 3.0) < 0.01
    ((column, proof),) = proofs_of(sheet("to-prove"), ports, LIGHT)
    assert column.quantity == "rx_dbm"
    assert proof.question == ""
