"""The parts of a plan, as pydantic models. Units stand in the names; metric or imperial, one form each."""

from collections.abc import Callable
from ipaddress import IPv4Network, IPv6Network, ip_address
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from monitor.facts.units import f_to_c, feet_to_m

Imperial = dict[str, tuple[str, Callable[[float], float]]]


class Part(BaseModel):
    """Anything in a plan: unknown fields are errors, and nothing changes after reading."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        coerce_numbers_to_str=True,
        allow_inf_nan=False,
        str_strip_whitespace=True,
        populate_by_name=True,
    )
    imperial: ClassVar[Imperial] = {}

    @model_validator(mode="before")
    @classmethod
    def _to_metric(cls, data: Any) -> Any:
        if not isinstance(data, dict) or not cls.imperial:
            return data
        data = dict(data)
        for name, (metric, convert) in cls.imperial.items():
            if name not in data:
                continue
            if metric in data:
                raise ValueError(f"has both {metric} and {name}; give one of them")
            value = data.pop(name)
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise ValueError(f"{name} {value!r} is not a number")
            data[metric] = convert(value)
        return data


def _address(text: str) -> str:
    try:
        return str(ip_address(text))
    except ValueError:
        raise ValueError(f"{text!r} is not an IP address") from None


Address = Annotated[str, AfterValidator(_address)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,62}$")]
Port = Annotated[int, Field(ge=1, le=65535)]
Vlan = Annotated[int, Field(ge=1, le=4094)]
Watts = Annotated[float, Field(ge=0, le=100_000)]
Volts = Annotated[float, Field(gt=0, le=1000)]
Metres = Annotated[float, Field(ge=0, le=200_000)]
Celsius = Annotated[float, Field(ge=-60, le=90)]
Severity = Literal["warning", "minor", "major", "critical"]


class Site(Part):
    """The whole property."""

    imperial: ClassVar[Imperial] = {"coldest_f": ("coldest_c", f_to_c), "hottest_f": ("hottest_c", f_to_c)}
    name: str = Field(min_length=1)
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    timezone: str
    coldest_c: Celsius
    hottest_c: Celsius
    subnets: list[IPv4Network | IPv6Network] = []
    management_vlan: Vlan | None = None


class Credential(Part):
    """The name of a secret and how it is used; the secret itself stands in the secrets file."""

    kind: Literal["snmpv2c", "snmpv3", "rtsp-basic", "rtsp-digest"]
    secret: Name


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


class Converter(Part):
    """What lifts a battery's volts to those of the switch."""

    output_volts: Volts
    efficiency: float = Field(gt=0, le=1)
    limit_watts: Watts
    idle_watts: Watts = 0


class MainsSupply(Part):
    """A supply at the head-end (or elsewhere on mains) that feeds poles over copper."""

    name: Name
    kind: Literal["mains"]
    volts: Volts
    limit_watts: Watts
    volts_sensor: Sensor | None = None


class SolarSupply(Part):
    """Panel, controller and battery, with the converter that feeds the switch."""

    name: Name
    kind: Literal["solar"]
    panel_watts: Watts
    tilt_deg: float = Field(ge=0, le=90)
    azimuth_deg: float = Field(ge=0, lt=360, description="degrees clockwise from north")
    battery: Battery
    days_of_autonomy: float = Field(gt=0, le=60)
    controller: Sensor | None = None
    cutoff_volts: Volts
    reconnect_volts: Volts
    charge_above_c: Celsius | None = None
    converter: Converter | None = None


Supply = Annotated[MainsSupply | SolarSupply, Field(discriminator="kind")]


class SwitchAccess(Part):
    """How a switch is asked."""

    address: Address
    port: Port = 161
    datasheet: Name
    credentials: Name
    reach: list[Literal["snmp", "icmp"]] = ["snmp", "icmp"]


class PoleSwitch(SwitchAccess):
    """The outdoor switch on a pole: how it is asked and what it needs and gives."""

    minimum_volts: Volts
    maximum_volts: Volts
    own_watts: Watts
    poe_budget_watts: Watts
    poe_input: Literal["boost", "pass-through"]
    poe_efficiency: float = Field(0.9, gt=0, le=1, description="of a boost stage; common practice, no source")
    uplink_megabits_per_s: float = Field(1000, gt=0, le=400_000)


class HeadEnd(Part):
    """Where fibre, DC supplies and internet come together."""

    name: Name
    switch: SwitchAccess
    feeder_sensors: dict[str, Sensor] = {}


class FibreStart(Part):
    """The end of a fibre run that is nearer to the head-end; ``pole`` where that is not the head-end."""

    pole: Name | None = None
    port: str
    optic: Name


class FibreEnd(Part):
    """The end of a fibre run at the pole itself."""

    port: str
    optic: Name


class Fibre(Part):
    """A fibre run, as built."""

    imperial: ClassVar[Imperial] = {"length_ft": ("length_m", feet_to_m)}
    start: FibreStart = Field(alias="from")
    end: FibreEnd = Field(alias="to")
    type: Name
    length_m: Metres
    connectors: int = Field(ge=0, le=100)
    splices: int = Field(ge=0, le=100)
    allowances_db: dict[str, Annotated[float, Field(ge=0, le=20)]] = {}


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


class Stream(Part):
    """A camera's video stream as configured."""

    path: str
    kilobits_per_s: float = Field(gt=0, le=1_000_000)
    port: Port = 554


class Load(Part):
    """A powered device on a switch port."""

    imperial: ClassVar[Imperial] = {"cable_ft": ("cable_m", feet_to_m)}
    name: Name
    kind: Literal["camera", "access-point", "gateway", "radio-link", "other"]
    port: str
    address: Address | None = None
    mac: str | None = Field(None, pattern=r"^[0-9a-fA-F]{2}(:[0-9a-fA-F]{2}){5}$")
    poe_class: int = Field(ge=0, le=8)
    watts: Watts
    night_watts: Watts | None = None
    heater_watts: Watts = 0
    start_up_watts: Watts | None = None
    cable_m: Annotated[float, Field(ge=0, le=1000)]
    vlan: Vlan | None = None
    credentials: Name | None = None
    reach: list[Literal["icmp", "tcp", "rtsp"]] = ["icmp"]
    tcp_port: Port | None = None
    stream: Stream | None = None
    may_cycle: bool = False


class Radio(Part):
    """A pole without fibre: the load elsewhere whose radio reaches it."""

    radio: Name


class Pole(Part):
    """A remote mast with an outdoor switch and its loads."""

    name: Name
    was: Name | None = None
    place: str = ""
    access: str = ""
    supply: Name | None = None
    switch: PoleSwitch
    fibre: Fibre | None = None
    reached_by: Radio | None = None
    feeder: Feeder | None = None
    loads: list[Load] = []

    @model_validator(mode="after")
    def _one_way(self) -> "Pole":
        if (self.fibre is None) == (self.reached_by is None):
            raise ValueError("needs exactly one of fibre and reached_by")
        if (self.feeder is None) == (self.supply is None):
            raise ValueError("needs exactly one of feeder and supply")
        return self


class VlanRow(Part):
    """A VLAN of the site."""

    id: Vlan
    name: str
    dscp: str | None = None


class Callout(Part):
    """Who is told what and when. ``to`` names an entry of the secrets file."""

    name: Name
    to: Name
    severities: list[Severity] = Field(min_length=1)
    hours: Annotated[str, Field(pattern=r"^(any|([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d)$")] = "any"
    at: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] | None = None


class SignOfLife(Part):
    """The outbound proof that farpole itself runs."""

    url_secret: Name
    every_minutes: float = Field(gt=0, le=1440)


class Acting(Part):
    """What may be done from the chair; off unless said here."""

    cycle: Literal["allowed", "off"] = "off"
    revive_hung_camera: Literal["on", "off"] = "off"


class Rounds(Part):
    """How often devices are asked, and how long a callout is held back so that a blip wakes nobody."""

    reach_s: float = Field(15, ge=1, le=3600)
    measure_s: float = Field(60, ge=2, le=86_400)
    learn_s: float = Field(86_400, ge=10, le=604_800)
    hold_s: float = Field(30, ge=0, le=3600)


class Plan(Part):
    """What was designed and built: the whole file."""

    site: Site
    units: Literal["metric", "imperial"] = "metric"
    credentials: dict[Name, Credential] = {}
    supplies: list[Supply] = []
    headend: HeadEnd
    poles: list[Pole] = Field(min_length=1)
    vlans: list[VlanRow] = []
    callouts: list[Callout] = []
    sign_of_life: SignOfLife | None = None
    acting: Acting = Acting()
    rounds: Rounds = Rounds()

    def pole(self, name: str) -> Pole:
        """The pole of that name; KeyError where there is none."""
        for pole in self.poles:
            if pole.name == name:
                return pole
        raise KeyError(name)

    def supply(self, name: str) -> MainsSupply | SolarSupply:
        """The supply of that name; KeyError where there is none."""
        for supply in self.supplies:
            if supply.name == name:
                return supply
        raise KeyError(name)
