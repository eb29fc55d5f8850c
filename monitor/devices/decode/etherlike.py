"""EtherLike-MIB (RFC 3635): frames with a wrong check sum, late collisions, duplex."""

from collections.abc import Iterator, Mapping

from monitor.devices.decode.interfaces import port_label
from monitor.devices.decode.kinds import Known, counted, named_states
from monitor.devices.decode.raw import Oid, Want, number, oid
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.states import Dot3StatsDuplexStatus

ENTRY = oid("1.3.6.1.2.1.10.7.2.1")
FCS_ERRORS, DUPLEX = (*ENTRY, 3), (*ENTRY, 19)
LEARN: tuple[Oid, ...] = (FCS_ERRORS,)
_COUNTERS = {
    2: "dot3StatsAlignmentErrors",
    3: "dot3StatsFCSErrors",
    4: "dot3StatsSingleCollisionFrames",
    5: "dot3StatsMultipleCollisionFrames",
    6: "dot3StatsSQETestErrors",
    7: "dot3StatsDeferredTransmissions",
    8: "dot3StatsLateCollisions",
    9: "dot3StatsExcessiveCollisions",
    10: "dot3StatsInternalMacTransmitErrors",
    11: "dot3StatsCarrierSenseErrors",
    13: "dot3StatsFrameTooLongs",
    16: "dot3StatsInternalMacReceiveErrors",
    18: "dot3StatsSymbolErrors",
}
_WANTED = ((3, "fcs_error_frames"), (8, "late_collision_frames"), (19, "duplex_state"))

KNOWN = (
    *(Known((*ENTRY, column), name, counted, port_label) for column, name in _COUNTERS.items()),
    Known(DUPLEX, "dot3StatsDuplexStatus", named_states(Dot3StatsDuplexStatus), port_label),
)


def wants(place: str, index: Mapping[str, int]) -> Iterator[Want]:
    """Check-sum errors, late collisions and duplex of ports (port → ifIndex)."""
    for port, row in index.items():
        for column, quantity in _WANTED:
            yield Want((*ENTRY, column, row), Slot(resources.port(place, port), quantity), number)
