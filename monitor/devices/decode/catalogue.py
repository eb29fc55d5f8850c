"""Everything that a device gave, each object exactly once: known, kept raw, or garbled with its reason."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from monitor.devices.decode import (
    bridge,
    entity_sensor,
    etherlike,
    interfaces,
    ip_addresses,
    lldp,
    power_ethernet,
    system,
    ups,
)
from monitor.devices.decode.columns import Ports, proofs_of, wants_of_switch
from monitor.devices.decode.kinds import Known
from monitor.devices.decode.raw import Absent, Garbled, Missing, Oid, Raw, Table, Unread, Want, dotted, shown
from monitor.devices.decode.units import Proof
from monitor.facts.quantities import QUANTITIES, UNITS
from monitor.plan.datasheets import Column, DeviceSheet

MIBS: dict[str, tuple[Known, ...]] = {
    "SNMPv2-MIB": system.KNOWN,
    "IF-MIB": interfaces.KNOWN,
    "EtherLike-MIB": etherlike.KNOWN,
    "POWER-ETHERNET-MIB": power_ethernet.KNOWN,
    "ENTITY-SENSOR-MIB": entity_sensor.KNOWN,
    "LLDP-MIB": lldp.KNOWN,
    "BRIDGE-MIB": bridge.KNOWN,
    "UPS-MIB": ups.KNOWN,
    "IP-MIB": ip_addresses.KNOWN,
}
_BY_OID = {known.oid: (mib, known) for mib, all_known in MIBS.items() for known in all_known}
_LENGTHS = sorted({len(oid) for oid in _BY_OID}, reverse=True)
PRIVATE: Oid = (1, 3, 6, 1, 4, 1)


@dataclass(frozen=True, slots=True)
class Line:
    """One object that came, and what it says. ``state`` is ``known``, ``raw`` or ``garbled``."""

    oid: Oid
    state: str
    source: str
    name: str
    row: str
    value: float | str
    unit: str = ""
    why: str = ""


def known_of(oid: Oid) -> tuple[str, Known] | None:
    """MIB and object that an instance belongs to."""
    for n in _LENGTHS:
        found = _BY_OID.get(oid[:n])
        if found is not None and len(oid) > n:
            return found
    return None


def lines(
    table: Table,
    strange: Iterable[tuple[Oid, Raw, str]] = (),
    sheet: DeviceSheet | None = None,
    ports: Ports | None = None,
) -> Iterator[Line]:
    """What a device's objects say, in their order. ``strange`` came out of order, with the reason.

    With a datasheet (and the ports that it may be asked of), its private columns are known as well.
    """
    private = {want.oid: want for want in wants_of_switch(sheet, ports, table)} if sheet and ports else {}
    for oid, raw in sorted(table.items()):
        if not isinstance(raw, Missing):
            yield _line(oid, raw, table, private.get(oid))
    for oid, raw, why in strange:
        yield Line(oid, "garbled", "", "", "", shown(raw), "", why)


def _line(oid: Oid, raw: Raw, table: Table, want: Want | None) -> Line:
    if want is not None:
        return _private(oid, raw, want)
    found = known_of(oid)
    if found is None:
        state = "garbled" if isinstance(raw, Unread) else "raw"
        return Line(oid, state, "", "", "", shown(raw), "", raw.why if isinstance(raw, Unread) else "")
    mib, known = found
    index = oid[len(known.oid) :]
    row = "" if index == (0,) else known.label(index, table)
    try:
        value, unit = known.read(raw, index, table)
    except Absent as absent:
        return Line(oid, "known", mib, known.name, row, f"no value: {absent}")
    except Garbled as garbled:
        return Line(oid, "garbled", mib, known.name, row, shown(raw), "", str(garbled))
    return Line(oid, "known", mib, known.name, row, value, unit)


def _private(oid: Oid, raw: Raw, want: Want) -> Line:
    resource, quantity = want.slot
    unit = UNITS[QUANTITIES[quantity].unit]
    try:
        value = want.convert(raw)
    except Absent as absent:
        return Line(oid, "known", "datasheet", quantity, resource, f"no value: {absent}")
    except Garbled as garbled:
        return Line(oid, "garbled", "datasheet", quantity, resource, shown(raw), "", str(garbled))
    if not QUANTITIES[quantity].plausible(value):
        why = f"{value:g} {unit} cannot be; it may be another unit"
        return Line(oid, "garbled", "datasheet", quantity, resource, shown(raw), "", why)
    return Line(oid, "known", "datasheet", quantity, resource, value, unit)


def proofs(sheet: DeviceSheet, ports: Ports, table: Table) -> list[tuple[Column, Proof]]:
    """The private columns whose unit had to be proven."""
    return list(proofs_of(sheet, ports, table))


@dataclass(frozen=True, slots=True)
class PrivateColumn:
    """Objects of the private part whose names differ in their last number only: a column, most likely."""

    oid: Oid
    rows: tuple[int, ...]
    values: tuple[Raw, ...]

    @property
    def examples(self) -> str:
        """The first few values."""
        more = ", …" if len(self.values) > 6 else ""
        return ", ".join(shown(raw) for raw in self.values[:6]) + more


def private_columns(table: Table) -> list[PrivateColumn]:
    """The private objects by column, in order."""
    grouped: dict[Oid, list[tuple[int, Raw]]] = {}
    for oid, raw in sorted(table.items()):
        if oid[: len(PRIVATE)] == PRIVATE and not isinstance(raw, Missing):
            grouped.setdefault(oid[:-1], []).append((oid[-1], raw))
    return [PrivateColumn(oid, tuple(r for r, _ in rows), tuple(v for _, v in rows)) for oid, rows in grouped.items()]


def draft(table: Table, name: str, when: str) -> str:
    """A datasheet to be finished by hand: what the device serves, and each private column as a comment.

    The device's own words are quoted and bounded: they are not to be trusted.
    """
    described = table.get((*system.SYSTEM, 1, 0), b"")
    object_id = table.get((*system.SYSTEM, 2, 0))
    title = shown(described).strip("'\"")[:60].replace('"', "'").replace("\\", "/") if described else "a device"
    mibs = [mib.lower() for mib in MIBS if mib not in ("SNMPv2-MIB", "LLDP-MIB", "IP-MIB") and _serves(table, mib)]
    said = [
        "# Uncomment the columns that carry what you want to watch, and say what they are.",
        "# Quantities: " + ", ".join(sorted(q for q in QUANTITIES if not QUANTITIES[q].counter_bits)),
        "# unit: to-prove lets farpole find the unit; per: port counts by port number, per: optic by ifIndex.",
        "devices:",
        f"  {name}:",
        f'    title: "{title}"',
        *([f"    object_id: {dotted(object_id)}"] if isinstance(object_id, tuple) else []),
        f"    mibs: [{', '.join(mibs)}]",
        '    port_name: "{port}"',
        "    columns: []",
    ]
    for column in private_columns(table):
        rows = f"row {column.rows[0]}" if len(column.rows) == 1 else f"rows {column.rows[0]} to {column.rows[-1]}"
        said.append(f"    # {rows}: {column.examples}"[:150])
        said.append(
            f"    #  - {{oid: {dotted(column.oid)}, quantity: port_watts, per: port, unit: to-prove, "
            f'source: "read from the device, {when}"}}'
        )
    return "\n".join(said) + "\n"


def _serves(table: Table, mib: str) -> bool:
    return any(oid[: len(known.oid)] == known.oid for known in MIBS[mib] for oid in table)
