"""Datasheets: published facts on one kind of equipment, each value with its source. Text is handed in."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator, model_validator

from monitor.facts.quantities import QUANTITIES
from monitor.plan.text import NotRight, Problem, check


class Sheet(BaseModel):
    """Anything in a datasheet: unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, coerce_numbers_to_str=True, allow_inf_nan=False)


class Sourced(Sheet):
    """One published value and where it was published."""

    value: float
    source: str = Field(min_length=3)


class OpticSheet(Sheet):
    """An optic: levels in dBm (average power), wavelengths in nm."""

    medium: Literal["single-mode", "multimode"]
    strands: Literal[1, 2]
    tx_nm: Sourced
    rx_nm: Sourced
    megabits_per_s: float = Field(gt=0)
    tx_min_dbm: Sourced
    tx_typical_dbm: Sourced | None = None
    tx_max_dbm: Sourced
    rx_sensitivity_dbm: Sourced
    rx_overload_dbm: Sourced
    penalties_db: dict[str, Sourced] = {}


class FibreSheet(Sheet):
    """A kind of fibre: attenuation in dB/km by wavelength in nm, loss of connectors and splices in dB."""

    medium: Literal["single-mode", "multimode"]
    db_per_km: dict[int, Sourced]
    db_per_connector: Sourced
    db_per_splice: Sourced


class ConductorSheet(Sheet):
    """A conductor table: ohms per km of one conductor at ``at_c``, by size; ``per_c`` is the coefficient."""

    at_c: float
    per_c: Sourced
    material: Literal["copper"]
    source: str
    ohms_per_km: dict[str, float]
    amperes: dict[str, Sourced] = {}
    """What the conductor may carry for long, by size."""


class PoeClassSheet(Sheet):
    """A PoE class: watts at the switch port (PSE) and at the device (PD), volts and channel."""

    pse_watts: float
    pd_watts: float
    type: Literal[1, 2, 3, 4]
    source: str


def _known_quantity(name: str) -> str:
    if name not in QUANTITIES:
        raise ValueError(f"{name!r} is not a quantity; known are {', '.join(sorted(QUANTITIES))}")
    return name


class CableSheet(Sheet):
    """An Ethernet cable: ohms per km of one conductor at ``at_c``, and its coefficient."""

    at_c: float
    ohms_per_km: Sourced
    per_c: Sourced


class BatterySheet(Sheet):
    """A chemistry: share of the rated capacity that is left, by temperature in °C, and volts of one cell."""

    capacity_share: dict[int, float]
    cell_volts: float
    cutoff_volts_per_cell: float
    source: str


class LoadSheet(Sheet):
    """A kind of load, to ask whether one more would fit: watts by day and night, PoE class, megabits per second."""

    kind: Literal["camera", "access-point", "gateway", "radio-link", "other"]
    poe_class: int = Field(ge=0, le=8)
    watts: float = Field(ge=0)
    night_watts: float | None = Field(None, ge=0)
    heater_watts: float = Field(0, ge=0)
    megabits_per_s: float = Field(ge=0)
    source: str


ROW = re.compile(r"(\d+|\{port\}|\{if_index\})(\.(\d+|\{port\}|\{if_index\}))*")


class Column(Sheet):
    """One private column or scalar: the OID without its index, what it carries, how and in which unit.

    ``unit`` is what the device counts in; ``same`` is the quantity's own unit, ``to-prove`` that nobody knows:
    farpole then keeps the units that agree with all it sees and uses one only if it is the only one.
    """

    oid: str = Field(pattern=r"^\d+(\.\d+)+$")
    quantity: Annotated[str, AfterValidator(_known_quantity)]
    per: Literal["switch", "port", "optic", "supply", "feeder"]
    row: str | None = Field(
        None, description="index of a port's row, from {port} and {if_index}; where it is more than the usual one"
    )
    encoding: Literal["number", "text", "sff-8472"] = Field(
        "number", description="a number, a text with a number in it, or page A2h of the optic as octets"
    )
    unit: Literal[
        "same", "dbm", "watts", "milliwatts", "microwatts", "nanowatts", "milliamperes", "microamperes", "to-prove"
    ] = "same"
    scale: float = Field(1, gt=0, description="the value read, times this, is in the unit")
    absent: list[int | str] = Field([], description="numbers or words by which this device says that it has no value")
    source: str = Field(min_length=3)

    @field_validator("row")
    @classmethod
    def _row(cls, row: str | None) -> str | None:
        if row is not None and not ROW.fullmatch(row):
            raise ValueError(f"{row!r} should be numbers, {{port}} or {{if_index}}, joined by dots: 1.{{port}}")
        return row

    @model_validator(mode="after")
    def _fits(self) -> Self:
        light = self.quantity.endswith("_dbm")
        if self.unit in ("dbm", "nanowatts") and not light:
            raise ValueError(f"unit {self.unit} is for light, {self.quantity} is not")
        if self.unit in ("milliamperes", "microamperes") and not self.quantity.endswith("amperes"):
            raise ValueError(f"unit {self.unit} is for a current, {self.quantity} is not")
        watts = self.unit in ("watts", "milliwatts", "microwatts")
        if watts and not (light or self.quantity.endswith("_watts")):
            raise ValueError(f"unit {self.unit} is for power, {self.quantity} is not")
        if self.encoding == "sff-8472" and self.per != "optic":
            raise ValueError("a page of SFF-8472 belongs to an optic: per: optic")
        return self


class DeviceSheet(Sheet):
    """What a kind of device tells over SNMP, and where."""

    title: str
    mibs: list[
        Literal["if-mib", "etherlike-mib", "power-ethernet-mib", "entity-sensor-mib", "bridge-mib", "ups-mib"]
    ] = []
    object_id: str | None = Field(
        None, pattern=r"^\d+(\.\d+)+$", description="beginning of the sysObjectID by which this device is known"
    )
    dying_gasp: list[Annotated[str, Field(pattern=r"^\d+(\.\d+)+$")]] = Field(
        [], description="notifications by which this device says that its power is going"
    )
    port_name: str = Field("{port}", description="ifName of a port, as this device writes it")
    poe_ports: list[str] = Field([], description="ports that give PoE; empty where that is not known")
    columns: list[Column] = []


class Register(Sheet):
    """One value of a Modbus device: where it stands, how it is written, what it is."""

    at: int = Field(ge=0, le=65_535, description="address on the wire, counted from 0")
    table: Literal["input", "holding"]
    type: Literal["u16", "s16", "u32", "s32", "f32"] = "u16"
    low_first: bool = Field(False, description="of two registers the low word stands first")
    quantity: Annotated[str, AfterValidator(_known_quantity)]
    scale: float = Field(1, gt=0, description="the value read, times this, is in the quantity's unit")
    offset: float = 0
    absent: list[float] = []
    channel: str = Field("", description="of a meter with several clamps: the channel in the plan that it belongs to")
    source: str = Field(min_length=3)


class RegisterSheet(Sheet):
    """A Modbus device: its registers, or that it lists SunSpec's models by itself."""

    title: str
    sunspec: bool = False
    registers: list[Register] = []

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.sunspec == bool(self.registers):
            raise ValueError("give either sunspec: true or registers")
        return self


class _Optics(Sheet):
    optics: dict[str, OpticSheet]


class _Fibres(Sheet):
    fibres: dict[str, FibreSheet]


class _Conductors(Sheet):
    conductors: dict[str, ConductorSheet]


class _PoeClasses(Sheet):
    poe_classes: dict[int, PoeClassSheet]


class _Cables(Sheet):
    cables: dict[str, CableSheet]


class _Batteries(Sheet):
    batteries: dict[str, BatterySheet]


class _Loads(Sheet):
    loads: dict[str, LoadSheet]


class _Devices(Sheet):
    devices: dict[str, DeviceSheet]


class _Registers(Sheet):
    modbus: dict[str, RegisterSheet]


_KINDS: dict[str, type[Sheet]] = {
    "optics": _Optics,
    "fibres": _Fibres,
    "conductors": _Conductors,
    "poe_classes": _PoeClasses,
    "devices": _Devices,
    "modbus": _Registers,
    "cables": _Cables,
    "batteries": _Batteries,
    "loads": _Loads,
}


@dataclass(frozen=True, slots=True)
class Sheets:
    """All datasheets that a plan may name, and the time zones that this machine knows."""

    optics: dict[str, OpticSheet] = field(default_factory=dict)
    fibres: dict[str, FibreSheet] = field(default_factory=dict)
    conductors: dict[str, ConductorSheet] = field(default_factory=dict)
    poe_classes: dict[int, PoeClassSheet] = field(default_factory=dict)
    devices: dict[str, DeviceSheet] = field(default_factory=dict)
    modbus: dict[str, RegisterSheet] = field(default_factory=dict)
    cables: dict[str, CableSheet] = field(default_factory=dict)
    batteries: dict[str, BatterySheet] = field(default_factory=dict)
    loads: dict[str, LoadSheet] = field(default_factory=dict)
    timezones: frozenset[str] = frozenset()


def read_sheets(texts: Mapping[str, str], timezones: frozenset[str] = frozenset()) -> Sheets:
    """Read datasheets from file name → text; a later file overrides an earlier one, entry by entry.

    Raises NotRight with the problems of all files at once.
    """
    sheets, problems = Sheets(timezones=timezones), []
    for file, text in texts.items():
        kind = next((kind for kind in _KINDS if text.startswith(f"{kind}:") or f"\n{kind}:" in text), None)
        if kind is None:
            expected = ", ".join(f"`{name}:`" for name in _KINDS)
            problems.append(Problem(1, "", f"should begin with one of {expected}", file))
            continue
        try:
            getattr(sheets, kind).update(getattr(check(text, _KINDS[kind], file), kind))
        except NotRight as error:
            problems += error.problems
    if problems:
        raise NotRight(problems)
    return sheets
