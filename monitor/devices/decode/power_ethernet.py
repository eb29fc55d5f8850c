"""POWER-ETHERNET-MIB (RFC 3621): states, classes and counters of PoE ports, and the main power supply.

It has no watts per port: those come from a datasheet's private columns.
"""

import re
from collections.abc import Iterable, Iterator

from monitor.devices.decode.kinds import (
    TRUTH,
    Known,
    Said,
    counted,
    enumerated,
    measured,
    named_states,
    printable,
    words_of,
)
from monitor.devices.decode.raw import Garbled, Oid, Raw, Table, Want, number, oid, rows, scaled
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.states import PethMainPseOperStatus, PethPsePortDetectionStatus

PORT = oid("1.3.6.1.2.1.105.1.1.1")
MAIN = oid("1.3.6.1.2.1.105.1.3.1.1")
DETECTION = (*PORT, 6)
CLASSIFICATION = (*PORT, 10)
NOMINAL_WATTS, CONSUMPTION_WATTS = (*MAIN, 2), (*MAIN, 4)
_COUNTERS = (
    (8, "mps_absent_count"),
    (11, "invalid_signature_count"),
    (12, "power_denied_count"),
    (13, "overload_count"),
    (14, "short_count"),
)
ACTUAL_WATTS = (*PORT, 15)
"""pethPsePortActualPower in mW: a later column of IEEE Std 802.3.1 (clause 8, from memory) that few switches have."""

LEARN: tuple[Oid, ...] = (DETECTION, ACTUAL_WATTS, NOMINAL_WATTS)


def _label(index: Oid, _: Table) -> str:
    return f"group {index[0]} port {index[1]}" if len(index) == 2 else ".".join(map(str, index))


def _class_word(raw: Raw, _: Oid, __: Table) -> Said:
    return f"class {_class(raw):.0f}", ""


_DETECTIONS = {**words_of(PethPsePortDetectionStatus), PethPsePortDetectionStatus.DELIVERING_POWER: "delivering"}
KNOWN = (
    Known((*PORT, 3), "pethPsePortAdminEnable", TRUTH, _label),
    Known((*PORT, 4), "pethPsePortPowerPairsControlAbility", TRUTH, _label),
    Known((*PORT, 5), "pethPsePortPowerPairs", enumerated({1: "signal", 2: "spare"}), _label),
    Known(DETECTION, "pethPsePortDetectionStatus", enumerated(_DETECTIONS), _label),
    Known((*PORT, 7), "pethPsePortPowerPriority", enumerated({1: "critical", 2: "high", 3: "low"}), _label),
    Known((*PORT, 8), "pethPsePortMPSAbsentCounter", counted, _label),
    Known((*PORT, 9), "pethPsePortType", printable, _label),
    Known(CLASSIFICATION, "pethPsePortPowerClassifications", _class_word, _label),
    Known((*PORT, 11), "pethPsePortInvalidSignatureCounter", counted, _label),
    Known((*PORT, 12), "pethPsePortPowerDeniedCounter", counted, _label),
    Known((*PORT, 13), "pethPsePortOverLoadCounter", counted, _label),
    Known((*PORT, 14), "pethPsePortShortCounter", counted, _label),
    Known(ACTUAL_WATTS, "pethPsePortActualPower", measured("W", 0.001), _label),
    Known(NOMINAL_WATTS, "pethMainPsePower", measured("W")),
    Known((*MAIN, 3), "pethMainPseOperStatus", named_states(PethMainPseOperStatus)),
    Known(CONSUMPTION_WATTS, "pethMainPseConsumptionPower", measured("W")),
    Known((*MAIN, 5), "pethMainPseUsageThreshold", measured("%")),
)


def port_rows(table: Table, ports: Iterable[str]) -> dict[str, Oid]:
    """Port of the plan → (group, port) index of pethPsePortTable, by the number at the end of the name."""
    by_number: dict[int, list[Oid]] = {}
    for index in rows(table, DETECTION):
        if len(index) == 2:
            by_number.setdefault(index[1], []).append(index)
    found = {}
    for port in ports:
        digits = re.search(r"(\d+)$", port)
        candidates = by_number.get(int(digits[1]), []) if digits else []
        if len(candidates) == 1:
            found[port] = candidates[0]
    return found


def admin_of(row: Oid) -> Oid:
    """pethPsePortAdminEnable of a (group, port) row: writable, true(1) or false(2)."""
    return (*PORT, 3, *row)


def groups(table: Table) -> list[int]:
    """Group indexes of the main power supplies."""
    return [index[0] for index in rows(table, NOMINAL_WATTS)]


def wants(place: str, index: dict[str, Oid], main_groups: list[int], table: Table) -> Iterator[Want]:
    """PoE states, classes and counters of ports, and the switch's total and nominal watts.

    The total is asked where the switch has exactly one main supply; several would have to be added up.
    """
    for port, row in index.items():
        resource = resources.port(place, port)
        yield Want((*DETECTION, *row), Slot(resource, "poe_port_state"), number)
        yield Want((*CLASSIFICATION, *row), Slot(resource, "poe_class_state"), _class)
        for column, quantity in _COUNTERS:
            yield Want((*PORT, column, *row), Slot(resource, quantity), number)
        if isinstance(table.get((*ACTUAL_WATTS, *row)), int):
            yield Want((*ACTUAL_WATTS, *row), Slot(resource, "port_watts"), scaled(0.001))
    if len(main_groups) == 1:
        switch = resources.switch(place)
        yield Want((*CONSUMPTION_WATTS, main_groups[0]), Slot(switch, "poe_total_watts"), number)
        yield Want((*NOMINAL_WATTS, main_groups[0]), Slot(switch, "poe_nominal_watts"), number)


def _class(raw: Raw) -> float:
    """RFC 3621 numbers the classes from one: class0(1) to class4(5)."""
    value = number(raw)
    if not 1 <= value <= 9:
        raise Garbled(f"power classification {value:g} is outside 1 to 9")
    return value - 1
