"""POWER-ETHERNET-MIB (RFC 3621): states, classes and counters of PoE ports, and the main power supply.

It has no watts per port: those come from a datasheet's private columns.
"""

import re
from collections.abc import Iterable, Iterator

from monitor.devices.decode.raw import Garbled, Oid, Raw, Table, Want, number, oid, rows
from monitor.facts import resources
from monitor.facts.readings import Slot

PORT = oid("1.3.6.1.2.1.105.1.1.1")
MAIN = oid("1.3.6.1.2.1.105.1.3.1.1")
DETECTION = (*PORT, 6)
CLASSIFICATION = (*PORT, 10)
NOMINAL_WATTS, CONSUMPTION_WATTS = (*MAIN, 2), (*MAIN, 4)
_COUNTERS = (
    (11, "mps_absent_count"),
    (12, "invalid_signature_count"),
    (13, "power_denied_count"),
    (14, "overload_count"),
    (15, "short_count"),
)

LEARN: tuple[Oid, ...] = (DETECTION, NOMINAL_WATTS)


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


def groups(table: Table) -> list[int]:
    """Group indexes of the main power supplies."""
    return [index[0] for index in rows(table, NOMINAL_WATTS)]


def wants(place: str, index: dict[str, Oid], main_groups: list[int]) -> Iterator[Want]:
    """PoE states, classes and counters of ports, and the switch's total and nominal watts.

    The total is asked where the switch has exactly one main supply; several would have to be added up.
    """
    for port, row in index.items():
        resource = resources.port(place, port)
        yield Want((*DETECTION, *row), Slot(resource, "poe_port_state"), number)
        yield Want((*CLASSIFICATION, *row), Slot(resource, "poe_class_state"), _class)
        for column, quantity in _COUNTERS:
            yield Want((*PORT, column, *row), Slot(resource, quantity), number)
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
