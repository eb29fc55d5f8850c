"""The system group (SNMPv2-MIB, RFC 3418): what a device says of itself."""

from monitor.devices.decode.kinds import Known, measured, named, printable, ticks
from monitor.devices.decode.raw import oid

SYSTEM = oid("1.3.6.1.2.1.1")

KNOWN = (
    Known((*SYSTEM, 1), "sysDescr", printable),
    Known((*SYSTEM, 2), "sysObjectID", named),
    Known((*SYSTEM, 3), "sysUpTime", ticks),
    Known((*SYSTEM, 4), "sysContact", printable),
    Known((*SYSTEM, 5), "sysName", printable),
    Known((*SYSTEM, 6), "sysLocation", printable),
    Known((*SYSTEM, 7), "sysServices", measured()),
)
