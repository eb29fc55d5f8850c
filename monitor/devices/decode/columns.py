"""Private columns and scalars, by a datasheet that says which object carries what in which unit."""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from monitor.devices.decode.raw import Garbled, Oid, Raw, Table, Want, oid
from monitor.devices.decode.saying import saying
from monitor.devices.decode.units import Evidence, Proof, prove
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.plan.datasheets import Column, DeviceSheet


@dataclass(frozen=True, slots=True)
class Ports:
    """The ports of one switch: port → ifIndex of those that are known, and which give PoE."""

    place: str
    index: Mapping[str, int]
    poe: tuple[str, ...]
    expected: Mapping[Slot, tuple[float, float]] = field(default_factory=dict)
    """What the plan expects to read, for the unit proof."""


def to_learn(sheet: DeviceSheet) -> tuple[Oid, ...]:
    """Columns that are walked once: those whose unit has to be proven."""
    return tuple(oid(column.oid) for column in sheet.columns if column.unit == "to-prove")


def wants_of_switch(sheet: DeviceSheet, ports: Ports, table: Table) -> Iterator[Want]:
    """Columns by port (its number) and by optic (its ifIndex), and scalars of the switch."""
    for column in sheet.columns:
        placed = dict(_rows(column, ports))
        convert = _conversion(column, placed, table, ports)
        for at, slot in placed.items():
            yield Want(at, slot, convert)


def _rows(column: Column, ports: Ports) -> Iterator[tuple[Oid, Slot]]:
    """Objects of a column and the slots that they fill."""
    base = oid(column.oid)
    if column.per == "switch":
        yield base, Slot(resources.switch(ports.place), column.quantity)
    names = ports.poe if column.per == "port" else tuple(ports.index) if column.per == "optic" else ()
    resource = resources.port if column.per == "port" else resources.optic
    template = column.row or ("{port}" if column.per == "port" else "{if_index}")
    for name in names:
        row = _row(template, name, ports.index.get(name))
        if row is not None:
            yield (*base, *row), Slot(resource(ports.place, name), column.quantity)


def _row(template: str, port: str, if_index: int | None) -> Oid | None:
    """The index of a port's row, or None where the port has no number that it needs."""
    digits = re.search(r"(\d+)$", port)
    if ("{port}" in template and not digits) or ("{if_index}" in template and if_index is None):
        return None
    return oid(template.format(port=digits[1] if digits else "", if_index=if_index))


def _conversion(column: Column, placed: Mapping[Oid, Slot], table: Table, ports: Ports) -> Callable[[Raw], float]:
    if column.unit != "to-prove":
        return saying(column.quantity, column.encoding, column.unit, column.scale, column.absent)
    proof = proof_of(column, placed, table, ports)
    if proof.conversion is None:
        return _asks(f"{column.oid}: {proof.question}")
    return saying(column.quantity, column.encoding, proof.conversion.unit, proof.conversion.scale, column.absent)


def _asks(question: str) -> Callable[[Raw], float]:
    def convert(_: Raw) -> float:
        raise Garbled(question)

    return convert


def proof_of(column: Column, placed: Mapping[Oid, Slot], table: Table, ports: Ports) -> Proof:
    """Which unit a column counts in, from its rows and from what the plan expects of them."""
    values: dict[int, Raw] = {at[-1]: table[at] for at in placed if at in table}
    expected = {at[-1]: ports.expected[slot] for at, slot in placed.items() if slot in ports.expected}
    most = {row: high for row, (_, high) in expected.items()} if column.quantity.endswith("_watts") else {}
    light = expected if column.quantity.endswith("_dbm") else {}
    return prove(column.quantity, values, Evidence(expected=light, most=most))


def proofs_of(sheet: DeviceSheet, ports: Ports, table: Table) -> Iterator[tuple[Column, Proof]]:
    """Every column whose unit had to be proven, and how that came out."""
    for column in sheet.columns:
        if column.unit == "to-prove":
            yield column, proof_of(column, dict(_rows(column, ports)), table, ports)


def wants_of_meter(sheet: DeviceSheet, supplies: Mapping[str, str], feeders: Mapping[str, str]) -> Iterator[Want]:
    """Columns of a DC meter: scalars per supply, and one row per feeder channel. Names → channels."""
    for column in sheet.columns:
        base = oid(column.oid)
        convert = saying(column.quantity, column.encoding, column.unit, column.scale, column.absent)
        if column.per == "supply":
            for name in supplies:
                yield Want(base, Slot(resources.supply(name), column.quantity), convert)
        elif column.per == "feeder":
            for pole, channel in feeders.items():
                yield Want((*base, int(channel)), Slot(resources.feeder(pole), column.quantity), convert)
