"""What can be measured: the name (ending in its unit), the physical range, the resolution, the meaning.

A value outside ``low``..``high`` cannot be right and becomes a garbled reading; it is never a limit
that somebody designed. ``resolution`` is the step to which history keeps the quantity without loss.
"""

import math
from dataclasses import dataclass
from typing import Final

UNITS: Final = {
    "amperes": "A",
    "c": "°C",
    "count": "",
    "dbm": "dBm",
    "frames": "",
    "kilobits_per_s": "kb/s",
    "frames_per_s": "/s",
    "megabits_per_s": "Mb/s",
    "milliamperes": "mA",
    "octets": "octets",
    "ohms": "Ω",
    "percent": "%",
    "seconds": "s",
    "state": "",
    "volts": "V",
    "watt_hours": "Wh",
    "watts": "W",
}
"""Unit at the end of a quantity's name → how people write it."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One kind of thing that is read from devices."""

    name: str
    low: float
    high: float
    resolution: float
    meaning: str
    counter_bits: int = 0
    """32 or 64 for a counter that wraps; 0 for a level."""

    @property
    def unit(self) -> str:
        """Unit as it ends the name, e.g. ``dbm`` of ``rx_dbm``."""
        return next(unit for unit in UNITS if self.name == unit or self.name.endswith("_" + unit))

    def plausible(self, value: float) -> bool:
        """Can this value exist? No light (minus infinity) can, for optical levels.

        >>> QUANTITIES["rx_dbm"].plausible(-math.inf), QUANTITIES["input_volts"].plausible(4e9)
        (True, False)
        """
        if self.unit == "dbm" and value == -math.inf:
            return True
        return self.low <= value <= self.high


def _counter(name: str, meaning: str, bits: int = 64) -> Quantity:
    return Quantity(name, 0, 2.0**bits - 1, 1, meaning, counter_bits=bits)


_ALL = (
    Quantity("rx_dbm", -45, 12, 0.01, "received optical power (SFF-8472 full scale +8.2 dBm)"),
    Quantity("tx_dbm", -45, 12, 0.01, "transmitted optical power"),
    Quantity("bias_milliamperes", 0, 200, 0.002, "laser bias current (SFF-8472 full scale 131 mA)"),
    Quantity("optic_c", -60, 128, 0.01, "temperature inside the optic"),
    Quantity("optic_volts", 0, 6.6, 0.0001, "supply of the optic"),
    Quantity("board_c", -60, 150, 0.1, "temperature inside the switch"),
    Quantity("input_volts", 0, 80, 0.001, "DC volts at the input of a pole's switch"),
    Quantity("supply_volts", 0, 80, 0.001, "DC volts at a supply"),
    Quantity("feeder_amperes", -1, 60, 0.001, "current into a feeder at its head-end"),
    Quantity("loop_ohms", 0, 1000, 0.0001, "loop resistance of a feeder, from its volts and amperes"),
    Quantity("loop_error_ohms", 0, 1000, 0.0001, "standard uncertainty of that"),
    Quantity("step_ohms", 0, 1000, 0.001, "loop resistance from the last step of the load"),
    Quantity("step_error_ohms", 0, 1000, 0.001, "standard uncertainty of that"),
    Quantity("port_watts", 0, 100, 0.1, "power that a PoE port delivers"),
    Quantity("poe_total_watts", 0, 2000, 0.1, "power that all PoE ports of a switch deliver"),
    Quantity("poe_nominal_watts", 0, 2000, 1, "power that a switch can deliver on its PoE ports"),
    Quantity(
        "poe_port_state",
        1,
        6,
        1,
        "RFC 3621 detection: 1 disabled, 2 searching, 3 delivering, 4 fault, 5 test, 6 other fault",
    ),
    Quantity("poe_class_state", 0, 8, 1, "PoE class of the powered device"),
    Quantity(
        "link_state",
        1,
        7,
        1,
        "RFC 2863 ifOperStatus: 1 up, 2 down, 3 testing, 4 unknown, 5 dormant, 6 not present, 7 lower layer down",
    ),
    Quantity("speed_megabits_per_s", 0, 400_000, 1, "speed of a port"),
    Quantity("uptime_seconds", 0, 42_949_673, 0.01, "time since the agent restarted; wraps after 497 days"),
    Quantity("ping_seconds", 0, 60, 0.0001, "ICMP round trip"),
    Quantity("connect_seconds", 0, 60, 0.0001, "time to open a TCP connection"),
    Quantity("tcp_state", 1, 2, 1, "1 open, 2 refused: the device answers and the service does not"),
    Quantity(
        "stream_state",
        1,
        10,
        1,
        "1 alive, 2 no connection, 3 no RTSP, 4 log-in refused, 5 no such stream, 6 not set up, 7 not playing, "
        "8 nothing comes, 9 it asks for the password in clear, 10 it asks for an unknown way of logging in",
    ),
    Quantity("stream_kilobits_per_s", 0, 1e6, 0.1, "what a camera's stream carries while it is looked at"),
    Quantity("stream_frames_per_s", 0, 1000, 0.01, "frames of a camera's stream"),
    Quantity("stream_lost_percent", 0, 100, 0.01, "packets of a stream that never came: RFC 3550 appendix A.3"),
    Quantity("clock_offset_seconds", -2e9, 2e9, 0.1, "a device's clock less ours"),
    Quantity("in_megabits_per_s", 0, 440_000, 0.001, "what a port receives"),
    Quantity("out_megabits_per_s", 0, 440_000, 0.001, "what a port sends"),
    Quantity("in_error_frames_per_s", 0, 1e9, 0.001, "frames received with errors, a second"),
    Quantity("fcs_error_frames_per_s", 0, 1e9, 0.001, "frames with a wrong check sum, a second"),
    Quantity("in_discard_frames_per_s", 0, 1e9, 0.001, "frames thrown away on the way in, a second"),
    Quantity("out_discard_frames_per_s", 0, 1e9, 0.001, "frames thrown away on the way out, a second"),
    Quantity("in_broadcast_frames_per_s", 0, 1e9, 0.001, "broadcast frames received, a second"),
    Quantity("duplex_state", 1, 3, 1, "RFC 3635 dot3StatsDuplexStatus: 1 unknown, 2 half, 3 full"),
    Quantity("counters_since_seconds", 0, 42_949_673, 0.01, "uptime when a port's counters last lost continuity"),
    Quantity("table_changed_seconds", 0, 42_949_673, 0.01, "uptime when the port table last changed: RFC 2863"),
    Quantity("battery_volts", 0, 1000, 0.1, "volts of a battery (a UPS's bank may be of high voltage)"),
    Quantity("battery_amperes", -2000, 2000, 0.01, "current of a battery, positive while it charges"),
    Quantity("battery_watts", -100_000, 100_000, 0.1, "power of a battery, positive while it charges"),
    Quantity("battery_health_percent", 0, 200, 0.1, "capacity that a battery still has, as its device says"),
    Quantity("charged_watt_hours", 0, 1e7, 0.1, "energy into a battery since the site's midnight"),
    Quantity("drawn_watt_hours", 0, 1e7, 0.1, "energy out of a battery since the site's midnight"),
    Quantity("held_watt_hours", 0, 1e6, 1, "what a battery holds at 25 °C, by a night's energy and charge"),
    Quantity("panel_volts", 0, 1000, 0.1, "volts of a solar panel"),
    Quantity("panel_watts", 0, 100_000, 0.1, "power of a solar panel"),
    Quantity("load_watts", 0, 100_000, 0.1, "power that a solar controller gives to its load"),
    Quantity("battery_percent", 0, 100, 1, "charge of a battery"),
    Quantity("battery_left_seconds", 0, 4e7, 60, "how long a battery will last at this load, as its device says"),
    Quantity("battery_c", -60, 120, 1, "temperature at a battery"),
    Quantity("mains_volts", 0, 600, 0.1, "AC volts of the mains at a UPS"),
    Quantity("ups_source_state", 1, 7, 1, "RFC 1628 upsOutputSource: 2 none, 3 mains, 4 bypass, 5 battery"),
    _counter("narrow_in_octets", "octets received by a port, of an agent without 64-bit counters", 32),
    _counter("narrow_out_octets", "octets sent by a port, of an agent without 64-bit counters", 32),
    _counter("in_discard_frames", "frames thrown away on the way in", 32),
    _counter("out_error_frames", "frames that could not be sent", 32),
    _counter("in_broadcast_frames", "broadcast frames received by a port", 32),
    _counter("fcs_error_frames", "frames with a wrong check sum: RFC 3635", 32),
    _counter("late_collision_frames", "late collisions: RFC 3635", 32),
    _counter("topology_change_count", "changes of the spanning tree: RFC 4188", 32),
    _counter("in_octets", "octets received by a port"),
    _counter("out_octets", "octets sent by a port"),
    _counter("in_error_frames", "frames received with errors", 32),
    _counter("out_discard_frames", "frames thrown away on the way out", 32),
    _counter("mps_absent_count", "RFC 3621: power removed, no maintain-power signature", 32),
    _counter("invalid_signature_count", "RFC 3621: invalid detection signatures", 32),
    _counter("power_denied_count", "RFC 3621: ports denied for want of budget", 32),
    _counter("overload_count", "RFC 3621: overloads", 32),
    _counter("short_count", "RFC 3621: shorts", 32),
)

QUANTITIES: Final[dict[str, Quantity]] = {quantity.name: quantity for quantity in _ALL}
