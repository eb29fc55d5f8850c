"""LLDP-MIB (IEEE 802.1AB-2005) and its 802.3 extension (IEEE 802.3.1): who is on the other end of each port."""

import ipaddress
from collections.abc import Callable
from dataclasses import dataclass

from monitor.devices.decode.kinds import Known, Said, bits, enumerated, mac, measured, printable
from monitor.devices.decode.raw import Garbled, Oid, Raw, Table, oid, rows, text

LOCAL_PORT = oid("1.0.8802.1.1.2.1.3.7.1")
REMOTE = oid("1.0.8802.1.1.2.1.4.1.1")
REMOTE_ADDRESS = oid("1.0.8802.1.1.2.1.4.2.1")
DOT3_AUTO = oid("1.0.8802.1.1.2.1.5.4623.1.3.1.1")
DOT3_POWER = oid("1.0.8802.1.1.2.1.5.4623.1.3.2.1")
FOUND: tuple[Oid, ...] = (
    *((*LOCAL_PORT, column) for column in (2, 3, 4)),
    *((*REMOTE, column) for column in range(4, 13)),
    (*REMOTE_ADDRESS, 3),
)
"""Columns to walk to learn the neighbours."""
_CHASSIS = {1: "chassis component", 2: "interface alias", 3: "port component", 4: "MAC", 5: "address"}
_CHASSIS |= {6: "interface name", 7: "locally assigned"}
_PORT = {1: "interface alias", 2: "port component", 3: "MAC", 4: "address", 5: "interface name"}
_PORT |= {6: "agent circuit", 7: "locally assigned"}
_ABLE = {0: "other", 1: "repeater", 2: "bridge", 3: "access point", 4: "router", 5: "telephone", 7: "station"}
_MAC_KINDS = {"chassis": 4, "port": 3}
_ADDRESS_KINDS = {"chassis": 5, "port": 4}


def _identity(raw: Raw, kind: int | None, of: str) -> str:
    """An identity after its subtype: a MAC in hex, a network address (family, address), else text."""
    if not isinstance(raw, bytes):
        raise Garbled("an identity that is no octet string")
    if kind == _MAC_KINDS[of]:
        return mac(raw)
    if kind == _ADDRESS_KINDS[of] and len(raw) in (5, 17):
        return str(ipaddress.ip_address(raw[1:]))
    return text(raw)


def _chassis(raw: Raw, index: Oid, table: Table) -> Said:
    kind = table.get((*REMOTE, 4, *index))
    return _identity(raw, kind if isinstance(kind, int) else None, "chassis"), ""


def _port(raw: Raw, index: Oid, table: Table) -> Said:
    kind = table.get((*REMOTE, 6, *index))
    return _identity(raw, kind if isinstance(kind, int) else None, "port"), ""


def _local_port(raw: Raw, index: Oid, table: Table) -> Said:
    kind = table.get((*LOCAL_PORT, 2, *index))
    return _identity(raw, kind if isinstance(kind, int) else None, "port"), ""


def _remote_label(index: Oid, table: Table) -> str:
    """Index is time mark, local port, number: RFC-style row of lldpRemTable."""
    if len(index) < 3:
        return ".".join(map(str, index))
    local = table.get((*LOCAL_PORT, 4, index[1])) or table.get((*LOCAL_PORT, 3, index[1]))
    return (text(local) if isinstance(local, bytes) else "") or f"local port {index[1]}"


KNOWN = (
    Known((*LOCAL_PORT, 2), "lldpLocPortIdSubtype", enumerated(_PORT)),
    Known((*LOCAL_PORT, 3), "lldpLocPortId", _local_port),
    Known((*LOCAL_PORT, 4), "lldpLocPortDesc", printable),
    Known((*REMOTE, 4), "lldpRemChassisIdSubtype", enumerated(_CHASSIS), _remote_label),
    Known((*REMOTE, 5), "lldpRemChassisId", _chassis, _remote_label),
    Known((*REMOTE, 6), "lldpRemPortIdSubtype", enumerated(_PORT), _remote_label),
    Known((*REMOTE, 7), "lldpRemPortId", _port, _remote_label),
    Known((*REMOTE, 8), "lldpRemPortDesc", printable, _remote_label),
    Known((*REMOTE, 9), "lldpRemSysName", printable, _remote_label),
    Known((*REMOTE, 10), "lldpRemSysDesc", printable, _remote_label),
    Known((*REMOTE, 11), "lldpRemSysCapSupported", bits(_ABLE), _remote_label),
    Known((*REMOTE, 12), "lldpRemSysCapEnabled", bits(_ABLE), _remote_label),
    Known((*REMOTE_ADDRESS, 3), "lldpRemManAddrIfSubtype", enumerated({1: "unknown", 2: "ifIndex", 3: "port number"})),
    Known((*REMOTE_ADDRESS, 4), "lldpRemManAddrIfId", measured()),
    Known((*DOT3_AUTO, 1), "lldpXdot3RemPortAutoNegSupported", enumerated({1: "yes", 2: "no"}), _remote_label),
    Known((*DOT3_AUTO, 2), "lldpXdot3RemPortAutoNegEnabled", enumerated({1: "yes", 2: "no"}), _remote_label),
    Known((*DOT3_AUTO, 4), "lldpXdot3RemPortOperMauType", measured(), _remote_label),
    Known(
        (*DOT3_POWER, 1),
        "lldpXdot3RemPowerPortClass",
        enumerated({1: "power sourcing", 2: "powered device"}),
        _remote_label,
    ),
    Known((*DOT3_POWER, 2), "lldpXdot3RemPowerMDISupported", enumerated({1: "yes", 2: "no"}), _remote_label),
    Known((*DOT3_POWER, 3), "lldpXdot3RemPowerMDIEnabled", enumerated({1: "yes", 2: "no"}), _remote_label),
    Known((*DOT3_POWER, 4), "lldpXdot3RemPowerPairControlable", enumerated({1: "yes", 2: "no"}), _remote_label),
    Known((*DOT3_POWER, 5), "lldpXdot3RemPowerPairs", enumerated({1: "signal", 2: "spare"}), _remote_label),
    Known(
        (*DOT3_POWER, 6),
        "lldpXdot3RemPowerClass",
        enumerated({1: "class 0", 2: "class 1", 3: "class 2", 4: "class 3", 5: "class 4"}),
        _remote_label,
    ),
)


@dataclass(frozen=True, slots=True)
class Neighbour:
    """What a device's port heard of the device on the other end."""

    local_port: int
    """Number of the port as LLDP counts them, on most devices the ifIndex."""
    local_name: str
    chassis: str
    port: str
    name: str
    description: str
    addresses: tuple[str, ...]


def neighbours(table: Table) -> list[Neighbour]:
    """Every neighbour that a device has heard, in the order of its ports."""
    found = []
    for index, raw in sorted(rows(table, (*REMOTE, 5)).items()):
        if len(index) != 3:
            continue
        said = {column: table.get((*REMOTE, column, *index), b"") for column in (8, 9, 10)}
        found.append(
            Neighbour(
                index[1],
                _remote_label(index, table),
                _or_garbled(_chassis, raw, index, table),
                _or_garbled(_port, table.get((*REMOTE, 7, *index), b""), index, table),
                text(said[9]),
                text(said[10]) or text(said[8]),
                tuple(_addresses(table, index)),
            )
        )
    return found


def _or_garbled(read: Callable[[Raw, Oid, Table], Said], raw: Raw, index: Oid, table: Table) -> str:
    """An identity; whoever is on the other end has written it, and must not take the other neighbours with it."""
    try:
        return str(read(raw, index, table)[0])
    except Garbled as error:
        return f"garbled ({error})"


def _addresses(table: Table, index: Oid) -> list[str]:
    """Management addresses: the index goes on with family, length and the address itself."""
    found = []
    for row in rows(table, (*REMOTE_ADDRESS, 3)):
        family, octets = (row[3], row[5:]) if len(row) > 5 else (0, ())
        if row[:3] == index and (family, len(octets)) in ((1, 4), (2, 16)) and max(octets) < 256:
            found.append(str(ipaddress.ip_address(bytes(octets))))
    return found
