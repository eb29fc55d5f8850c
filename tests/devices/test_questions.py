from monitor.daemon.design import Design
from monitor.devices.questions import devices_of, loads_of, scripts_of, undecodable
from monitor.facts.readings import State
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan


def test_every_switch_and_one_meter_are_asked(tarrow: Plan, sheets: Sheets) -> None:
    devices = devices_of(tarrow, sheets)
    assert set(devices) == {
        "office/switch",
        "creek/switch",
        "woolshed/switch",
        "yards/switch",
        "ridge/switch",
        "meter/10.20.0.7",
    }
    assert devices["creek/switch"].link_ports == ("3", "6")
    assert devices["meter/10.20.0.7"].feeders == {"creek": "1", "yards": "2"}


def test_a_device_of_which_nothing_is_known_is_asked_for_its_uptime(design: Design) -> None:
    scripts = scripts_of(design.switch_of("creek"), {})
    assert scripts["reach"].oids == ((1, 3, 6, 1, 2, 1, 1, 3, 0),)


def test_a_meter_needs_no_learning(design: Design) -> None:
    scripts = scripts_of(design.meters[0], {})
    assert [slot.quantity for slot in scripts["reach"].layout.slots] == [
        "supply_volts",
        "feeder_amperes",
        "feeder_amperes",
    ]


def test_loads_are_asked_by_what_the_plan_says(tarrow: Plan) -> None:
    loads = {load.name: load for load in loads_of(tarrow)["creek"]}
    assert loads["creek-gate-camera"].tcp_port == 554  # RTSP, RFC 7826
    assert loads["creek-tank-gateway"].tcp_port == 502
    assert all(load.ping for load in loads.values())


def test_what_cannot_be_decoded_is_garbled_never_silent(design: Design) -> None:
    asked = scripts_of(design.switch_of("creek"), {})["reach"]
    assert {r.state for r in undecodable(asked, 1.0, "not BER")} == {State.GARBLED}
