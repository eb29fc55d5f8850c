"""The electrical parts of a plan: supplies, batteries, converters, feeders, protection, and their sensors."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from monitor.facts.units import feet_to_m
from monitor.plan.base import Address, Celsius, Imperial, Metres, Name, Part, Port, Volts, Watts


class Sensor(Part):
    """Where a value of a supply, a feeder or a battery is read."""

    kind: Literal["snmp", "modbus-tcp"]
    datasheet: Name
    address: Address | None = None
    port: Port | None = None
    unit: int | None = Field(None, ge=0, le=255)
    channel: str = "1"
    credentials: Name | None = None


class Battery(Part):
    """A bank of cells as its nameplate says."""

    volts: Volts
    amp_hours: float = Field(gt=0, le=100_000)
    chemistry: Literal["lfp", "agm", "gel", "flooded"]
    usable: float = Field(gt=0, le=1)
    cold_share: float | None = Field(
        None, gt=0, le=1, description="capacity left at the site's coldest, from its maker"
    )


class Converter(Part):
    """What lifts a battery's volts to those of the switch."""

    output_volts: Volts
    efficiency: float = Field(gt=0, le=1)
    limit_watts: Watts
    idle_watts: Watts = 0


class MainsSupply(Part):
    """A supply at the head-end (or elsewhere on mains) that feeds poles over copper."""

    name: Name
    was: Name | None = Field(None, description="its name before; its history goes on under the new one")
    kind: Literal["mains"]
    volts: Volts
    limit_watts: Watts
    volts_sensor: Sensor | None = None


class SolarSupply(Part):
    """Panel, controller and battery, with the converter that feeds the switch."""

    name: Name
    was: Name | None = Field(None, description="its name before; its history goes on under the new one")
    kind: Literal["solar"]
    panel_watts: Watts
    tilt_deg: float = Field(ge=0, le=90)
    azimuth_deg: float = Field(ge=0, lt=360, description="degrees clockwise from north")
    battery: Battery
    days_of_autonomy: float = Field(gt=0, le=60)
    controller: Sensor | None = None
    sun_hours_per_day: list[Annotated[float, Field(ge=0, le=14)]] | None = Field(
        None, min_length=12, max_length=12, description="kWh/m² a day in the panel's plane, January to December"
    )
    sun_hours_source: str = ""
    clear_sky_share: float | None = Field(None, gt=0, le=1, description="of a clear sky's sun, where no table is given")
    harvest_share: float = Field(
        0.75, gt=0, le=1, description="after dirt, heat, controller; common practice, no source"
    )
    cutoff_volts: Volts
    reconnect_volts: Volts
    charge_above_c: Celsius | None = None
    converter: Converter | None = None


Supply = Annotated[MainsSupply | SolarSupply, Field(discriminator="kind")]


class Protection(Part):
    """Fuse, breaker or electronic limit of a feeder."""

    kind: Literal["fuse", "breaker", "electronic"]
    trip_amperes: float = Field(gt=0, le=1000)
    contact: Sensor | None = None


class Feeder(Part):
    """The pair of conductors that carries DC to a pole, from a supply or on from another pole."""

    imperial: ClassVar[Imperial] = {"length_ft": ("length_m", feet_to_m)}
    supply: Name | None = None
    start: Name | None = Field(None, alias="from")
    conductor_mm2: float | None = Field(None, gt=0, le=300)
    conductor_awg: int | None = Field(None, ge=0, le=30)
    conductor_class: Literal[1, 2, 5] = 2
    material: Literal["copper"] = "copper"
    length_m: Metres
    joints: int = Field(0, ge=0, le=1000)
    milliohms_per_joint: float = Field(5, ge=0, le=1000, description="common practice, no source")
    protection: Protection | None = None

    @model_validator(mode="after")
    def _one_form(self) -> "Feeder":
        if (self.conductor_mm2 is None) == (self.conductor_awg is None):
            raise ValueError("needs exactly one of conductor_mm2 and conductor_awg")
        if (self.supply is None) == (self.start is None):
            raise ValueError("needs exactly one of supply and from")
        return self
