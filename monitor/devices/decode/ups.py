"""UPS-MIB (RFC 1628): on mains or battery, for how long yet, and the battery's health."""

from collections.abc import Callable, Iterator

from monitor.devices.decode.kinds import Known, enumerated, measured, printable, words_of
from monitor.devices.decode.raw import Absent, Oid, Raw, Table, Want, number, oid, rows
from monitor.devices.decode.saying import folded
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.states import UpsBatteryStatus, UpsOutputSource

UPS = oid("1.3.6.1.2.1.33.1")
BATTERY, INPUT, OUTPUT = (*UPS, 2), (*UPS, 3), (*UPS, 4)
_STATUS: dict[int, str] = {
    UpsBatteryStatus.UNKNOWN: "unknown",
    UpsBatteryStatus.BATTERY_NORMAL: "normal",
    UpsBatteryStatus.BATTERY_LOW: "low",
    UpsBatteryStatus.BATTERY_DEPLETED: "depleted",
}
_SOURCES = {**words_of(UpsOutputSource), UpsOutputSource.NORMAL: "mains"}


def _line(index: Oid, _: Table) -> str:
    return f"line {index[0]}" if len(index) == 1 else ".".join(map(str, index))


KNOWN = (
    *(
        Known((*UPS, 1, column), name, printable)
        for column, name in (
            (1, "upsIdentManufacturer"),
            (2, "upsIdentModel"),
            (3, "upsIdentUPSSoftwareVersion"),
            (4, "upsIdentAgentSoftwareVersion"),
            (5, "upsIdentName"),
        )
    ),
    Known((*BATTERY, 1), "upsBatteryStatus", enumerated(_STATUS)),
    Known((*BATTERY, 2), "upsSecondsOnBattery", measured("s")),
    Known((*BATTERY, 3), "upsEstimatedMinutesRemaining", measured("min")),
    Known((*BATTERY, 4), "upsEstimatedChargeRemaining", measured("%")),
    Known((*BATTERY, 5), "upsBatteryVoltage", measured("V", 0.1)),
    Known((*BATTERY, 6), "upsBatteryCurrent", measured("A", 0.1)),
    Known((*BATTERY, 7), "upsBatteryTemperature", measured("°C")),
    Known((*INPUT, 1), "upsInputLineBads", measured()),
    Known((*INPUT, 3, 1, 2), "upsInputFrequency", measured("Hz", 0.1), _line),
    Known((*INPUT, 3, 1, 3), "upsInputVoltage", measured("V"), _line),
    Known((*INPUT, 3, 1, 4), "upsInputCurrent", measured("A", 0.1), _line),
    Known((*INPUT, 3, 1, 5), "upsInputTruePower", measured("W"), _line),
    Known((*OUTPUT, 1), "upsOutputSource", enumerated(_SOURCES)),
    Known((*OUTPUT, 2), "upsOutputFrequency", measured("Hz", 0.1)),
    Known((*OUTPUT, 4, 1, 2), "upsOutputVoltage", measured("V"), _line),
    Known((*OUTPUT, 4, 1, 3), "upsOutputCurrent", measured("A", 0.1), _line),
    Known((*OUTPUT, 4, 1, 4), "upsOutputPower", measured("W"), _line),
    Known((*OUTPUT, 4, 1, 5), "upsOutputPercentLoad", measured("%"), _line),
    Known((*UPS, 6, 1), "upsAlarmsPresent", measured()),
)


def unknown_absent(raw: Raw) -> float:
    """A number, of which agents write −1 (also as a large unsigned one) where they do not know it."""
    value = folded(number(raw))
    if value < 0:
        raise Absent(f"the UPS says {value:g}, which stands for unknown")
    return value


def battery_volts(raw: Raw) -> float:
    """upsBatteryVoltage is in tenths of a volt; some agents write whole volts. No bank has less than 10 V.

    >>> battery_volts(273), battery_volts(27)
    (27.3, 27.0)
    """
    value = unknown_absent(raw)
    return value if 10 <= value < 100 else value / 10


def mains_volts(raw: Raw) -> float:
    """upsInputVoltage is in whole volts; some agents write tenths. No mains outlet has more than 500 V.

    >>> mains_volts(231), mains_volts(2312)
    (231.0, 231.2)
    """
    value = unknown_absent(raw)
    return value / 10 if value > 500 else value


def celsius(raw: Raw) -> float:
    """upsBatteryTemperature is in whole degrees; some agents write tenths, and −1 where they do not know it.

    No battery lives at 100 °C.

    >>> celsius(24), celsius(241)
    (24.0, 24.1)
    """
    value = folded(number(raw))
    if value == -1:
        raise Absent("the UPS says -1, which stands for unknown")
    return value / 10 if abs(value) >= 100 else value


_WANTED: tuple[tuple[Oid, str, Callable[[Raw], float]], ...] = (
    ((*BATTERY, 5), "battery_volts", battery_volts),
    ((*BATTERY, 4), "battery_percent", unknown_absent),
    ((*BATTERY, 3), "battery_left_seconds", lambda raw: unknown_absent(raw) * 60),
    ((*BATTERY, 7), "battery_c", celsius),
    ((*INPUT, 3, 1, 3), "mains_volts", mains_volts),
    ((*OUTPUT, 1), "ups_source_state", number),
)
LEARN: tuple[Oid, ...] = tuple(column for column, _, _ in _WANTED)
"""Walked once: some agents put one more number behind a scalar's name, and lines are counted from 0 or 1."""


def wants(supply: str, table: Table) -> Iterator[Want]:
    """What the supply of a site is asked where a UPS stands before it: the first row of each object."""
    resource = resources.supply(supply)
    for column, quantity, convert in _WANTED:
        index = min(rows(table, column), default=(0,))
        yield Want((*column, *index), Slot(resource, quantity), convert)
