"""The numbers of states against the enumerations in the standards' own words."""

import re
from enum import IntEnum

import pytest

from monitor.facts import states
from monitor.facts.quantities import QUANTITIES
from monitor.facts.states import PethPsePortDetectionStatus as Poe
from monitor.facts.streams import StreamState

# SYNTAX clauses as they stand in the RFCs (2579, 2863, 3621, 4188, 3635, 1628, 3433).
STANDARDS = {
    states.TruthValue: "true(1), false(2)",
    states.IfAdminStatus: "up(1), down(2), testing(3)",
    states.IfOperStatus: "up(1), down(2), testing(3), unknown(4), dormant(5), notPresent(6), lowerLayerDown(7)",
    Poe: "disabled(1), searching(2), deliveringPower(3), fault(4), test(5), otherFault(6)",
    states.PethMainPseOperStatus: "on(1), off(2), faulty(3)",
    states.Dot1dStpPortState: "disabled(1), blocking(2), listening(3), learning(4), forwarding(5), broken(6)",
    states.Dot1dTpFdbStatus: "other(1), invalid(2), learned(3), self(4), mgmt(5)",
    states.Dot3StatsDuplexStatus: "unknown(1), halfDuplex(2), fullDuplex(3)",
    states.UpsBatteryStatus: "unknown(1), batteryNormal(2), batteryLow(3), batteryDepleted(4)",
    states.UpsOutputSource: "other(1), none(2), normal(3), bypass(4), battery(5), booster(6), reducer(7)",
    states.EntitySensorStatus: "ok(1), unavailable(2), nonoperational(3)",
    states.IfType: "ethernetCsmacd(6), softwareLoopback(24)",
}


@pytest.mark.parametrize("enumeration", STANDARDS, ids=lambda one: one.__name__)
def test_the_numbers_are_those_of_the_standard(enumeration: type[IntEnum]) -> None:
    syntax = re.findall(r"(\w+)\((\d+)\)", STANDARDS[enumeration])
    named = {re.sub(r"(?=[A-Z])", "_", name).upper(): int(number) for name, number in syntax}
    assert {one.name: one.value for one in enumeration} == named


@pytest.mark.parametrize(
    ("quantity", "enumeration"),
    [
        ("link_state", states.IfOperStatus),
        ("poe_port_state", states.PethPsePortDetectionStatus),
        ("duplex_state", states.Dot3StatsDuplexStatus),
        ("ups_source_state", states.UpsOutputSource),
        ("tcp_state", states.TcpState),
        ("stream_state", StreamState),
    ],
)
def test_a_quantity_has_the_range_of_its_states(quantity: str, enumeration: type[IntEnum]) -> None:
    about = QUANTITIES[quantity]
    assert (about.low, about.high) == (min(enumeration), max(enumeration))
