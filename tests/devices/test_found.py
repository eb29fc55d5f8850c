"""Seen against planned, on the shipped example's plan and invented tables."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.devices.decode import bridge, lldp
from monitor.devices.decode.bridge import Station, stations
from monitor.devices.decode.frames import lldp as lldp_frame
from monitor.devices.decode.ip_addresses import pairs
from monitor.devices.decode.raw import Garbled, Table, oid
from monitor.devices.found import KINDS, Found, SwitchFound, compare, devices, first_seen
from monitor.devices.found_tree import tree
from monitor.plan.datasheets import Sheets
from monitor.plan.meaning import read_plan
from monitor.plan.parts import Plan
from monitor.plan.proposal import proposed

CAMERA = "02:00:5e:10:00:11"
GATEWAY = "02:00:5e:10:00:31"
STRANGER = "02:00:5e:ff:00:66"
PORTS = {1: "1", 2: "2", 3: "3", 6: "6", 7: "7"}


def creek(*stations: Station, **changes: object) -> dict[str, SwitchFound]:
    made = SwitchFound("creek", True, PORTS, stations)
    return {"creek": dataclasses.replace(made, **changes)}  # type: ignore[arg-type]  # fields by name


AS_PLANNED = (Station(CAMERA, 1), Station(GATEWAY, 2))
ARP = (("10.20.1.11", CAMERA), ("10.20.1.31", GATEWAY))


def kinds(plan: Plan, found: Found, known: frozenset[tuple[str, str]] = frozenset()) -> set[tuple[str, str]]:
    return {(one.kind, one.resource) for one in compare(plan, found, known)}


def test_as_planned_is_nothing_to_say(tarrow: Plan) -> None:
    assert kinds(tarrow, Found(creek(*AS_PLANNED), ARP)) == set()


def test_a_stranger_on_a_pole_port_is_unknown_at_once(tarrow: Plan) -> None:
    found = Found(creek(*AS_PLANNED, Station(STRANGER, 2)), (*ARP, ("10.20.1.66", STRANGER)))
    assert kinds(tarrow, found) == {("unknown", "creek/port/2")}
    (one,) = compare(tarrow, found)
    assert "10.20.1.66" in one.words
    assert one.mac == STRANGER
    assert kinds(tarrow, found, frozenset({("creek/port/2", STRANGER)})) == set()


def test_a_stranger_on_a_free_port_is_unknown_too(tarrow: Plan) -> None:
    found = Found(creek(*AS_PLANNED, Station(STRANGER, 7)), ARP)
    assert kinds(tarrow, found) == {("unknown", "creek/port/7")}


def test_what_is_seen_on_a_link_lies_behind_it(tarrow: Plan) -> None:
    found = Found(creek(*AS_PLANNED, Station(STRANGER, 3), Station(STRANGER, 6)), ARP)
    assert kinds(tarrow, found) == set()


def test_a_load_on_another_port_has_moved(tarrow: Plan) -> None:
    found = Found(creek(Station(CAMERA, 7), Station(GATEWAY, 2)), ARP)
    assert kinds(tarrow, found) == {("moved", "creek/load/creek-gate-camera")}


def test_a_load_with_another_address_has_moved(tarrow: Plan) -> None:
    found = Found(creek(*AS_PLANNED), (("10.20.1.99", CAMERA), ("10.20.1.31", GATEWAY)))
    assert kinds(tarrow, found) == {("moved", "creek/load/creek-gate-camera")}


def test_a_load_that_is_nowhere_is_missing_only_where_all_was_asked(tarrow: Plan) -> None:
    assert ("missing", "creek/load/creek-gate-camera") in kinds(tarrow, Found(creek(Station(GATEWAY, 2)), ARP[1:]))
    gateway_gone = Found(creek(Station(CAMERA, 1)), ARP[:1])
    assert ("missing", "creek/load/creek-tank-gateway") not in kinds(tarrow, gateway_gone)
    swept = dataclasses.replace(gateway_gone, swept=True)
    assert ("missing", "creek/load/creek-tank-gateway") in kinds(tarrow, swept)


def test_one_address_and_two_devices(tarrow: Plan) -> None:
    found = Found(creek(*AS_PLANNED), (*ARP, ("10.20.1.11", STRANGER)))
    assert ("duplicate", "10.20.1.11") in kinds(tarrow, found)


def test_vlans_of_stations_and_of_ports(tarrow: Plan) -> None:
    found = Found(creek(Station(CAMERA, 1, 50), Station(GATEWAY, 2, 50)), ARP)
    assert kinds(tarrow, found) == {("vlan", "creek/load/creek-gate-camera")}
    found = Found(creek(*AS_PLANNED, pvids={1: 30, 2: 30}), ARP)
    assert kinds(tarrow, found) == {("vlan", "creek/port/2")}


def test_speed_duplex_and_class(tarrow: Plan) -> None:
    found = Found(
        creek(*AS_PLANNED, speeds={1: 10.0, 2: 100.0}, half_duplex=frozenset([2]), classes={"1": 4, "2": 2}), ARP
    )
    assert kinds(tarrow, found) == {
        ("speed", "creek/port/1"),
        ("speed", "creek/port/2"),
        ("class", "creek/port/1"),
    }


def test_a_switch_that_does_not_answer_is_missing_and_its_loads_are_not_blamed(tarrow: Plan) -> None:
    found = Found({"creek": SwitchFound("creek", answered=False)})
    assert kinds(tarrow, found) == {("missing", "creek/switch")}


def test_what_answers_a_sweep_and_stands_nowhere_is_extra(tarrow: Plan) -> None:
    found = Found(creek(*AS_PLANNED), (*ARP, ("10.20.3.77", STRANGER)), {"10.20.3.77": "camera North Gate"}, True)
    extra = [one for one in compare(tarrow, found) if one.kind == "extra"]
    assert [one.resource for one in extra] == ["10.20.3.77"]
    assert "North Gate" in extra[0].words


def test_the_first_device_at_an_unnamed_load_is_known_and_a_second_is_not(tarrow: Plan) -> None:
    first = Found(creek(Station(CAMERA, 1), Station(GATEWAY, 2)))
    known = first_seen(tarrow, first, frozenset())
    assert ("creek/port/2", GATEWAY) in known
    assert not any(port == "creek/port/1" for port, _ in known)  # the plan has that one's hardware address
    swapped = Found(creek(Station(CAMERA, 1), Station(STRANGER, 2)))
    assert kinds(tarrow, swapped, known) == {("unknown", "creek/port/2")}
    assert first_seen(tarrow, swapped, known) == frozenset()


def test_the_tree_shows_what_is_wrong_beside_where_it_is(tarrow: Plan) -> None:
    found = Found(creek(*AS_PLANNED, Station(STRANGER, 7)), ARP)
    said = "\n".join(tree(tarrow, found, compare(tarrow, found)))
    assert f"port 7  not in the plan: {STRANGER}" in said
    assert "! unknown:" in said
    assert said.index("creek") < said.index("woolshed")


def test_the_kinds_are_all_explained() -> None:
    assert set(KINDS) == {"missing", "moved", "unknown", "extra", "duplicate", "vlan", "speed", "class"}


def test_a_proposed_plan_is_a_plan_with_hardware_addresses(tarrow: Plan, sheets: Sheets, tarrow_text: str) -> None:
    found = Found(creek(*AS_PLANNED, Station(STRANGER, 7)), ARP)
    text = proposed(tarrow_text, tarrow, devices(tarrow, found))
    plan = read_plan(text, sheets, "proposed")
    loads = {load.name: load for load in plan.pole("creek").loads}
    assert loads["creek-tank-gateway"].mac == GATEWAY
    assert loads["creek-gate-camera"].mac == CAMERA
    assert f'mac: "{STRANGER}"' in text
    assert "UNKNOWN" in text


def test_addresses_learnt_by_a_bridge() -> None:
    """RFC 4188 dot1dTpFdbTable: index is the address; RFC 4363 dot1qTpFdbTable: filtering database and address."""
    mac, other = (2, 0, 0, 0, 1, 10), (2, 0, 0, 0, 1, 11)
    table: Table = {
        (*bridge.BASE_IF_INDEX, 5): 105,
        (*bridge.FDB, 2, *mac): 5,
        (*bridge.FDB, 3, *mac): 3,
        (*bridge.FDB, 2, *other): 5,
        (*bridge.FDB, 3, *other): 4,  # the bridge's own
        (*bridge.QFDB_PORT, 30, *mac): 5,
        (*bridge.QFDB_STATUS, 30, *mac): 3,
        (*bridge.FDB, 2, 300, 0, 0, 0, 0, 1): 5,  # no hardware address
    }
    assert stations(table) == [Station("02:00:00:00:01:0a", 105, 30)]


def test_neighbours_that_lldp_has_heard() -> None:
    index = (0, 7, 1)
    table: Table = {
        (*lldp.LOCAL_PORT, 4, 7): b"port7",
        (*lldp.REMOTE, 4, *index): 4,
        (*lldp.REMOTE, 5, *index): bytes.fromhex("02000000010a"),
        (*lldp.REMOTE, 6, *index): 5,
        (*lldp.REMOTE, 7, *index): b"uplink",
        (*lldp.REMOTE, 9, *index): b"creek\x1b[2J",
        (*lldp.REMOTE_ADDRESS, 3, *index, 1, 4, 10, 20, 2, 2): 2,
    }
    (heard,) = lldp.neighbours(table)
    assert (heard.local_name, heard.chassis, heard.port) == ("port7", "02:00:00:00:01:0a", "uplink")
    assert heard.addresses == ("10.20.2.2",)
    assert "\x1b" not in heard.name


def test_arp_of_a_switch() -> None:
    table: Table = {(*oid("1.3.6.1.2.1.4.22.1.2"), 1, 10, 20, 1, 11): bytes.fromhex("02005e100011")}
    assert pairs(table) == [("10.20.1.11", CAMERA)]


def frame(*tlvs: tuple[int, bytes]) -> bytes:
    head = bytes.fromhex("0180c200000e" + "02000000010a" + "88cc")
    return head + b"".join((kind << 9 | len(value)).to_bytes(2, "big") + value for kind, value in tlvs) + b"\0\0"


def test_an_lldp_frame_by_the_standards_layout() -> None:
    """IEEE 802.1AB-2016 8.5: chassis (4: MAC), port (5: interface name), time to live, name, management address."""
    heard = lldp_frame(
        frame(
            (1, b"\x04" + bytes.fromhex("02000000010a")),
            (2, b"\x05port5"),
            (3, b"\x00\x78"),
            (5, b"creek"),
            (8, bytes((5, 1, 10, 20, 2, 2)) + b"\x02\0\0\0\x01\0"),
            (127, bytes.fromhex("0080c201001e")),
        )
    )
    assert (heard.source, heard.chassis, heard.port) == ("02:00:00:00:01:0a", "02:00:00:00:01:0a", "port5")
    assert (heard.name, heard.addresses, heard.vlan) == ("creek", ("10.20.2.2",), 30)


@pytest.mark.parametrize("data", [b"", b"\0" * 20, frame(), frame((1, b"")), frame((1, b"\x04ab"), (2, b"\x05p"))[:22]])
def test_what_is_no_lldp_frame_is_garbled(data: bytes) -> None:
    with pytest.raises(Garbled):
        lldp_frame(data)


@given(st.lists(st.tuples(st.integers(0, 127), st.binary(max_size=80)), max_size=30), st.binary(max_size=40))
def test_hostile_lldp_does_no_harm(tlvs: list[tuple[int, bytes]], tail: bytes) -> None:
    try:
        heard = lldp_frame(frame(*tlvs)[:-2] + tail)
    except Garbled:
        return
    assert len(heard.name) <= 120
    assert heard.name.isprintable()
