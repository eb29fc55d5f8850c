"""ENTITY-MIB (RFC 6933) and ENTITY-SENSOR-MIB (RFC 3433): light, bias, temperatures and volts.

The sensor table says type, scale and precision; which port a sensor belongs to follows from what contains
it and from entAliasMapping; what it measures follows from its type and the words in its name.
"""

import re
from collections.abc import Callable, Iterator, Mapping

from monitor.devices.decode.kinds import Known, Said, enumerated, measured, named, printable, ticks
from monitor.devices.decode.raw import Absent, Garbled, Oid, Raw, Table, Want, number, oid, rows, text
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.states import EntitySensorStatus
from monitor.facts.units import mw_to_dbm

ENT_DESCR = oid("1.3.6.1.2.1.47.1.1.1.1.2")
ENT_CONTAINED_IN = oid("1.3.6.1.2.1.47.1.1.1.1.4")
ENT_NAME = oid("1.3.6.1.2.1.47.1.1.1.1.7")
ENT_SERIAL = oid("1.3.6.1.2.1.47.1.1.1.1.11")
ENT_ALIAS = oid("1.3.6.1.2.1.47.1.3.2.1.2")
SENSOR_TYPE = oid("1.3.6.1.2.1.99.1.1.1.1")
SENSOR_SCALE = oid("1.3.6.1.2.1.99.1.1.1.2")
SENSOR_PRECISION = oid("1.3.6.1.2.1.99.1.1.1.3")
SENSOR_VALUE = oid("1.3.6.1.2.1.99.1.1.1.4")
SENSOR_STATUS = oid("1.3.6.1.2.1.99.1.1.1.5")
SENSOR_UNITS = oid("1.3.6.1.2.1.99.1.1.1.6")

LEARN: tuple[Oid, ...] = (
    ENT_DESCR,
    ENT_CONTAINED_IN,
    ENT_NAME,
    ENT_SERIAL,
    ENT_ALIAS,
    SENSOR_TYPE,
    SENSOR_SCALE,
    SENSOR_PRECISION,
    SENSOR_UNITS,
)

_VOLTS_DC, _AMPERES, _WATTS, _CELSIUS = 4, 5, 6, 8
_OVERFLOW = 1_000_000_000


_CLASSES = {1: "other", 2: "unknown", 3: "chassis", 4: "backplane", 5: "container", 6: "power supply", 7: "fan"}
_CLASSES |= {8: "sensor", 9: "module", 10: "port", 11: "stack", 12: "CPU"}
_TYPES = {1: "other", 2: "unknown", 3: "volts AC", 4: "volts DC", 5: "amperes", 6: "watts", 7: "hertz", 8: "celsius"}
_TYPES |= {9: "percent RH", 10: "rpm", 11: "cubic metres a minute", 12: "truth value"}
_UNITS = {3: "V", 4: "V", 5: "A", 6: "W", 7: "Hz", 8: "°C", 9: "% RH", 10: "rpm", 11: "m³/min"}
_ENTITY, _SENSOR = ENT_DESCR[:-1], SENSOR_TYPE[:-1]


def _sensor_label(index: Oid, table: Table) -> str:
    """A sensor's own name, else its description, else its number."""
    for column in (ENT_NAME, ENT_DESCR):
        raw = table.get((*column, *index))
        if isinstance(raw, bytes) and text(raw):
            return text(raw)
    return ".".join(map(str, index))


def _sensor_value(raw: Raw, index: Oid, table: Table) -> Said:
    """A sensor's value with the scale, precision and type that stand beside it."""
    scale, precision = table.get((*SENSOR_SCALE, *index)), table.get((*SENSOR_PRECISION, *index))
    kind, units = table.get((*SENSOR_TYPE, *index)), table.get((*SENSOR_UNITS, *index), b"")
    if not (isinstance(scale, int) and isinstance(precision, int)):
        raise Garbled("its scale or precision is missing")
    status = table.get((*SENSOR_STATUS, *index))
    if status == EntitySensorStatus.UNAVAILABLE:
        return "no value: the sensor says unavailable", ""
    unit = _UNITS.get(kind, "") if isinstance(kind, int) else ""
    if "dbm" in text(units).lower():
        unit = "dBm"
    return real(_signed(raw), scale, precision), unit


KNOWN = (
    Known(ENT_DESCR, "entPhysicalDescr", printable, _sensor_label),
    Known((*_ENTITY, 3), "entPhysicalVendorType", named, _sensor_label),
    Known(ENT_CONTAINED_IN, "entPhysicalContainedIn", measured(), _sensor_label),
    Known((*_ENTITY, 5), "entPhysicalClass", enumerated(_CLASSES), _sensor_label),
    Known((*_ENTITY, 6), "entPhysicalParentRelPos", measured(), _sensor_label),
    Known(ENT_NAME, "entPhysicalName", printable, _sensor_label),
    *(
        Known((*_ENTITY, column), name, printable, _sensor_label)
        for column, name in (
            (8, "entPhysicalHardwareRev"),
            (9, "entPhysicalFirmwareRev"),
            (10, "entPhysicalSoftwareRev"),
            (11, "entPhysicalSerialNum"),
            (12, "entPhysicalMfgName"),
            (13, "entPhysicalModelName"),
            (14, "entPhysicalAlias"),
            (15, "entPhysicalAssetID"),
        )
    ),
    Known((*_ENTITY, 16), "entPhysicalIsFRU", enumerated({1: "yes", 2: "no"}), _sensor_label),
    Known(ENT_ALIAS, "entAliasMappingIdentifier", named),
    Known(SENSOR_TYPE, "entPhySensorType", enumerated(_TYPES), _sensor_label),
    Known(SENSOR_SCALE, "entPhySensorScale", measured(), _sensor_label),
    Known(SENSOR_PRECISION, "entPhySensorPrecision", measured(), _sensor_label),
    Known(SENSOR_VALUE, "entPhySensorValue", _sensor_value, _sensor_label),
    Known(SENSOR_STATUS, "entPhySensorOperStatus", enumerated({1: "ok", 2: "unavailable", 3: "broken"}), _sensor_label),
    Known(SENSOR_UNITS, "entPhySensorUnitsDisplay", printable, _sensor_label),
    Known((*_SENSOR, 7), "entPhySensorValueTimeStamp", ticks, _sensor_label),
    Known((*_SENSOR, 8), "entPhySensorValueUpdateRate", measured("ms"), _sensor_label),
)


def real(value: float, scale: int, precision: int) -> float:
    """A sensor's value in its unit: value · 10^−precision · 10^(3·(scale − 9)).

    ±10⁹ say overflow and underflow (RFC 3433, EntitySensorValue). Raises Garbled for those and for a
    scale outside 1 to 17 or a precision outside −8 to 9.

    >>> real(1000, 9, 1), round(real(33017, 9, 4), 4)
    (100.0, 3.3017)
    """
    if not (1 <= scale <= 17 and -8 <= precision <= 9):
        raise Garbled(f"scale {scale} or precision {precision} is not one of RFC 3433")
    if abs(value) >= _OVERFLOW:
        raise Garbled("the sensor says overflow" if value > 0 else "the sensor says underflow")
    power = 3 * (scale - 9) - precision
    return value * 10.0**power if power >= 0 else value / 10.0**-power


def wants(place: str, table: Table, port_of_row: Mapping[int, str]) -> Iterator[Want]:
    """One want per sensor that measures something we know. ``port_of_row`` is ifIndex → port of the plan."""
    taken: set[Slot] = set()
    for index, raw_type in sorted(rows(table, SENSOR_TYPE).items()):
        scale, precision = table.get((*SENSOR_SCALE, *index)), table.get((*SENSOR_PRECISION, *index))
        if not (isinstance(raw_type, int) and isinstance(scale, int) and isinstance(precision, int)):
            continue
        row = _port_row(table, index)
        if row is not None and row not in port_of_row:
            continue  # an optic in a port that the plan does not use
        port = None if row is None else port_of_row[row]
        known = _meaning(place, port, raw_type, _words(table, index), text(table.get((*SENSOR_UNITS, *index), b"")))
        if known is None or known[0] in taken:
            continue
        slot, convert = known
        taken.add(slot)
        yield Want(
            (*SENSOR_VALUE, *index), slot, _chain(scale, precision, convert), ((*SENSOR_STATUS, *index), _status)
        )


def serials(place: str, table: Table, port_of_row: Mapping[int, str]) -> dict[str, str]:
    """Optic → its serial number, of those whose entity says one and belongs to a port of the plan."""
    found = {}
    for index, raw in sorted(rows(table, ENT_SERIAL).items()):
        serial, row = text(raw).strip(), _port_row(table, index)
        if (
            serial
            and row is not None
            and row in port_of_row
            and re.search(r"optic|transceiver|sfp|laser", _words(table, index))
        ):
            found[resources.optic(place, port_of_row[row])] = serial
    return found


def _chain(scale: int, precision: int, convert: Callable[[float], float]) -> Callable[[Raw], float]:
    return lambda raw: convert(real(_signed(raw), scale, precision))


def _signed(raw: Raw) -> float:
    """A negative value that an agent sent as an unsigned 32-bit number is folded back."""
    value = number(raw)
    return value - 2**32 if 2**31 <= value < 2**32 else value


def _status(raw: Raw) -> None:
    status = number(raw)
    if status == EntitySensorStatus.UNAVAILABLE:
        raise Absent("the sensor says unavailable")
    if status != EntitySensorStatus.OK:
        raise Garbled("the sensor says that it is broken")


def _words(table: Table, index: Oid) -> str:
    return f"{text(table.get((*ENT_DESCR, *index), b''))} {text(table.get((*ENT_NAME, *index), b''))}".lower()


def _above(table: Table, index: Oid) -> Iterator[Oid]:
    """What contains an entity, nearest first; bounded, since a hostile agent may answer in circles."""
    for _ in range(8):
        inside = table.get((*ENT_CONTAINED_IN, *index))
        if not isinstance(inside, int) or inside <= 0:
            return
        index = (inside,)
        yield index


def _port_row(table: Table, index: Oid) -> int | None:
    """ifIndex of the port that a sensor belongs to: an alias of what contains it, or of that one's only port."""
    aliases = {key[0]: raw[-1] for key, raw in rows(table, ENT_ALIAS).items() if isinstance(raw, tuple) and raw}
    inside = {key[0]: raw for key, raw in rows(table, ENT_CONTAINED_IN).items()}
    for (entity,) in _above(table, index):
        if entity in aliases:
            return aliases[entity]
        beside = {aliases[child] for child, parent in inside.items() if parent == entity and child in aliases}
        if len(beside) == 1:
            return beside.pop()
        if beside:
            return None
    return None


def _light(watts: float) -> float:
    """Power of light [W] in dBm."""
    if watts < 0:
        raise Garbled(f"{watts:g} W is no power of light")
    return mw_to_dbm(watts * 1000)


def _meaning(
    place: str, port: str | None, kind: int, words: str, units: str
) -> tuple[Slot, Callable[[float], float]] | None:
    receives = re.search(r"\brx|receive", words)
    sends = re.search(r"\btx|transmit", words)
    if port is not None:
        optic = resources.optic(place, port)
        if "dbm" in units.lower() and (receives or sends):
            return Slot(optic, "rx_dbm" if receives else "tx_dbm"), float
        if kind == _WATTS and (receives or sends):
            return Slot(optic, "rx_dbm" if receives else "tx_dbm"), _light
        if kind == _AMPERES and (sends or "bias" in words):
            return Slot(optic, "bias_milliamperes"), lambda amperes: amperes * 1000
        if kind == _CELSIUS:
            return Slot(optic, "optic_c"), float
        return (Slot(optic, "optic_volts"), float) if kind == _VOLTS_DC else None
    switch = resources.switch(place)
    if receives or sends or re.search(r"optic|transceiver|sfp|laser", words):
        return None  # it belongs to a port that cannot be told
    if kind == _VOLTS_DC and re.search(r"input|\bdc\b|supply|feed", words):
        return Slot(switch, "input_volts"), float
    if kind == _CELSIUS and re.search(r"board|chassis|system|inside|temperature", words):
        return Slot(switch, "board_c"), float
    return None
