"""States that devices give as numbers, named after their objects: one enumeration for each, used everywhere.

A reading holds them as floats, which compare equal to the members. The numbers are those of the standards.
"""

from enum import IntEnum
from typing import Final


class TruthValue(IntEnum):
    """RFC 2579."""

    TRUE = 1
    FALSE = 2


class IfType(IntEnum):
    """RFC 2863, ifType, of IANAifType-MIB: those that matter here."""

    ETHERNET_CSMACD = 6
    SOFTWARE_LOOPBACK = 24


class IfAdminStatus(IntEnum):
    """RFC 2863, ifAdminStatus."""

    UP = 1
    DOWN = 2
    TESTING = 3


class IfOperStatus(IntEnum):
    """RFC 2863, ifOperStatus: the quantity ``link_state``."""

    UP = 1
    DOWN = 2
    TESTING = 3
    UNKNOWN = 4
    DORMANT = 5
    NOT_PRESENT = 6
    LOWER_LAYER_DOWN = 7


class PethPsePortDetectionStatus(IntEnum):
    """RFC 3621, pethPsePortDetectionStatus: the quantity ``poe_port_state``."""

    DISABLED = 1
    SEARCHING = 2
    DELIVERING_POWER = 3
    FAULT = 4
    TEST = 5
    OTHER_FAULT = 6


POE_FAULTS: Final = frozenset((PethPsePortDetectionStatus.FAULT, PethPsePortDetectionStatus.OTHER_FAULT))
"""In these a port gives no power because something is wrong at it."""


class PethMainPseOperStatus(IntEnum):
    """RFC 3621, pethMainPseOperStatus."""

    ON = 1
    OFF = 2
    FAULTY = 3


class Dot1dStpPortState(IntEnum):
    """RFC 4188, dot1dStpPortState."""

    DISABLED = 1
    BLOCKING = 2
    LISTENING = 3
    LEARNING = 4
    FORWARDING = 5
    BROKEN = 6


class Dot1dTpFdbStatus(IntEnum):
    """RFC 4188, dot1dTpFdbStatus, and RFC 4363, dot1qTpFdbStatus."""

    OTHER = 1
    INVALID = 2
    LEARNED = 3
    SELF = 4
    MGMT = 5


class Dot3StatsDuplexStatus(IntEnum):
    """RFC 3635, dot3StatsDuplexStatus: the quantity ``duplex_state``."""

    UNKNOWN = 1
    HALF_DUPLEX = 2
    FULL_DUPLEX = 3


class UpsBatteryStatus(IntEnum):
    """RFC 1628, upsBatteryStatus."""

    UNKNOWN = 1
    BATTERY_NORMAL = 2
    BATTERY_LOW = 3
    BATTERY_DEPLETED = 4


class UpsOutputSource(IntEnum):
    """RFC 1628, upsOutputSource: the quantity ``ups_source_state``."""

    OTHER = 1
    NONE = 2
    NORMAL = 3
    BYPASS = 4
    BATTERY = 5
    BOOSTER = 6
    REDUCER = 7


class EntitySensorStatus(IntEnum):
    """RFC 3433, entPhySensorOperStatus."""

    OK = 1
    UNAVAILABLE = 2
    NONOPERATIONAL = 3


class TcpState(IntEnum):
    """The quantity ``tcp_state``, of our own: how a connection was taken. Kept in history; never changes."""

    OPEN = 1
    REFUSED = 2
    """The device answers and the service does not."""
