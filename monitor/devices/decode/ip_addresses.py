"""The ARP table of IP-MIB (RFC 4293, ipNetToMediaTable, which all agents still serve): address and hardware address."""

import ipaddress

from monitor.devices.decode.kinds import Known, address, enumerated, mac
from monitor.devices.decode.raw import Oid, Table, oid, rows

ENTRY = oid("1.3.6.1.2.1.4.22.1")
PHYSICAL = (*ENTRY, 2)
FOUND: tuple[Oid, ...] = (PHYSICAL,)


def _label(index: Oid, _: Table) -> str:
    """ifIndex and address make the index."""
    return ".".join(map(str, index[1:])) if len(index) == 5 else ".".join(map(str, index))


KNOWN = (
    Known(PHYSICAL, "ipNetToMediaPhysAddress", address, _label),
    Known((*ENTRY, 4), "ipNetToMediaType", enumerated({1: "other", 2: "invalid", 3: "dynamic", 4: "static"}), _label),
)


def pairs(table: Table) -> list[tuple[str, str]]:
    """(address, hardware address) of every whole entry."""
    found = []
    for index, raw in rows(table, PHYSICAL).items():
        if len(index) == 5 and isinstance(raw, bytes) and len(raw) == 6 and max(index[1:]) < 256:
            found.append((str(ipaddress.IPv4Address(bytes(index[1:]))), mac(raw)))
    return found
