"""BRIDGE-MIB (RFC 4188) and Q-BRIDGE-MIB (RFC 4363): which address is behind which port, spanning tree."""

from collections.abc import Iterator
from dataclasses import dataclass

from monitor.devices.decode.kinds import Known, Said, address, counted, enumerated, measured, named_states, ticks
from monitor.devices.decode.raw import Oid, Raw, Table, Want, number, oid, rows
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.states import Dot1dStpPortState, Dot1dTpFdbStatus

BASE_IF_INDEX = oid("1.3.6.1.2.1.17.1.4.1.2")
STP = oid("1.3.6.1.2.1.17.2")
TOPOLOGY_CHANGES = (*STP, 4, 0)
FDB = oid("1.3.6.1.2.1.17.4.3.1")
QFDB_PORT = oid("1.3.6.1.2.1.17.7.1.2.2.1.2")
QFDB_STATUS = oid("1.3.6.1.2.1.17.7.1.2.2.1.3")
PVID = oid("1.3.6.1.2.1.17.7.1.4.5.1.1")
FOUND: tuple[Oid, ...] = (BASE_IF_INDEX, (*FDB, 2), (*FDB, 3), QFDB_PORT, QFDB_STATUS)
"""Columns to walk to learn which addresses are where."""
_STATUS: dict[int, str] = {
    Dot1dTpFdbStatus.OTHER: "other",
    Dot1dTpFdbStatus.INVALID: "invalid",
    Dot1dTpFdbStatus.LEARNED: "learnt",
    Dot1dTpFdbStatus.SELF: "the bridge's own",
    Dot1dTpFdbStatus.MGMT: "set by hand",
}


def _address_label(index: Oid, _: Table) -> str:
    """The address that ends the index, with the filtering database before it where there is one."""
    if len(index) < 6 or any(part > 255 for part in index[-6:]):
        return ".".join(map(str, index))
    tail = bytes(index[-6:]).hex(":")
    return f"{tail} in {index[0]}" if len(index) > 6 else tail


def _port(raw: Raw, _: Oid, table: Table) -> Said:
    """A bridge port's number, with the ifIndex that stands for it."""
    bridge_port = int(number(raw))
    row = table.get((*BASE_IF_INDEX, bridge_port))
    return f"{bridge_port} (ifIndex {row})" if isinstance(row, int) else str(bridge_port), ""


KNOWN = (
    Known(oid("1.3.6.1.2.1.17.1.1"), "dot1dBaseBridgeAddress", address),
    Known(oid("1.3.6.1.2.1.17.1.2"), "dot1dBaseNumPorts", measured()),
    Known(BASE_IF_INDEX, "dot1dBasePortIfIndex", measured()),
    Known((*STP, 2), "dot1dStpPriority", measured()),
    Known((*STP, 3), "dot1dStpTimeSinceTopologyChange", ticks),
    Known((*STP, 4), "dot1dStpTopChanges", counted),
    Known((*STP, 7), "dot1dStpRootPort", measured()),
    Known(
        (*STP, 15, 1, 3),
        "dot1dStpPortState",
        named_states(Dot1dStpPortState),
    ),
    Known((*FDB, 1), "dot1dTpFdbAddress", address, _address_label),
    Known((*FDB, 2), "dot1dTpFdbPort", _port, _address_label),
    Known((*FDB, 3), "dot1dTpFdbStatus", enumerated(_STATUS), _address_label),
    Known(QFDB_PORT, "dot1qTpFdbPort", _port, _address_label),
    Known(QFDB_STATUS, "dot1qTpFdbStatus", enumerated(_STATUS), _address_label),
    Known(PVID, "dot1qPvid", measured()),
)


def wants(place: str) -> Iterator[Want]:
    """How often the spanning tree has changed."""
    yield Want(TOPOLOGY_CHANGES, Slot(resources.switch(place), "topology_change_count"), number)


@dataclass(frozen=True, slots=True, order=True)
class Station:
    """A hardware address that a switch has learnt behind one of its ports (ifIndex)."""

    mac: str
    row: int
    vlan: int | None = None
    """The filtering database's number; on most switches that is the VLAN (RFC 4363, dot1qFdbId)."""


def stations(table: Table) -> list[Station]:
    """Every learnt address with the ifIndex of its port; where a switch serves both tables, with its VLAN.

    Port 0 means that the port is not known (RFC 4188, dot1dTpFdbPort): such entries are left out.
    """
    row_of = {index[0]: raw for index, raw in rows(table, BASE_IF_INDEX).items() if isinstance(raw, int) and index}
    found: dict[tuple[str, int], Station] = {}
    for column, status in (((*FDB, 2), (*FDB, 3)), (QFDB_PORT, QFDB_STATUS)):
        for index, raw in rows(table, column).items():
            if len(index) < 6 or not isinstance(raw, int) or not raw or any(part > 255 for part in index[-6:]):
                continue
            if table.get((*status, *index), Dot1dTpFdbStatus.LEARNED) != Dot1dTpFdbStatus.LEARNED:
                continue
            row = row_of.get(raw, raw)  # without the mapping, most agents number ports by ifIndex
            mac = bytes(index[-6:]).hex(":")
            found[mac, row] = Station(mac, row, index[0] if len(index) > 6 else None)
    return sorted(found.values(), key=lambda one: (one.row, one.mac))
