"""UPS-MIB (RFC 1628): on mains or battery, for how long yet, and the battery's health."""

from collections.abc import Iterator

from monitor.devices.decode.kinds import Known, enumerated, measured, printable
from monitor.devices.decode.raw import Oid, Table, Want, number, oid, scaled
from monitor.facts import resources
from monitor.facts.readings import Slot

UPS = oid("1.3.6.1.2.1.33.1")
BATTERY, INPUT, OUTPUT = (*UPS, 2), (*UPS, 3), (*UPS, 4)
SOURCE = (*OUTPUT, 1, 0)
_STATUS = {1: "unknown", 2: "normal", 3: "low", 4: "depleted"}
_SOURCES = {1: "other", 2: "none", 3: "mains", 4: "bypass", 5: "battery", 6: "booster", 7: "reducer"}


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


def wants(supply: str) -> Iterator[Want]:
    """What the supply of a site is asked where a UPS stands before it."""
    resource = resources.supply(supply)
    yield Want((*BATTERY, 5, 0), Slot(resource, "battery_volts"), scaled(0.1))
    yield Want((*BATTERY, 4, 0), Slot(resource, "battery_percent"), number)
    yield Want((*BATTERY, 3, 0), Slot(resource, "battery_left_seconds"), scaled(60))
    yield Want((*BATTERY, 7, 0), Slot(resource, "battery_c"), number)
    yield Want(SOURCE, Slot(resource, "ups_source_state"), number)
