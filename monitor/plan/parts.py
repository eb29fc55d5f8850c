"""The parts of a plan, as pydantic models. Units stand in the names; metric or imperial, one form each."""

from ipaddress import IPv4Network, IPv6Network
from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from monitor.facts.units import f_to_c, feet_to_m
from monitor.plan.base import (
    Address,
    Celsius,
    Imperial,
    Language,
    Metres,
    Name,
    Part,
    Port,
    Severity,
    Vlan,
    Volts,
    Watts,
)
from monitor.plan.power import Feeder, MainsSupply, Sensor, SolarSupply, Supply

__all__ = ["Feeder", "MainsSupply", "Plan", "Sensor", "SolarSupply"]


class Site(Part):
    """The whole property."""

    imperial: ClassVar[Imperial] = {"coldest_f": ("coldest_c", f_to_c), "hottest_f": ("hottest_c", f_to_c)}
    name: str = Field(min_length=1)
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    timezone: str
    language: Language = Field("en", description="of messages and pages: English, or one of the catalogues")
    coldest_c: Celsius
    hottest_c: Celsius
    subnets: list[IPv4Network | IPv6Network] = []
    management_vlan: Vlan | None = None


class Credential(Part):
    """The name of a secret and how it is used; the secret itself stands in the secrets file."""

    kind: Literal["snmpv1", "snmpv2c", "snmpv3", "rtsp-basic", "rtsp-digest"]
    secret: Name


class SwitchAccess(Part):
    """How a switch is asked."""

    address: Address
    port: Port = 161
    datasheet: Name
    credentials: Name
    write_credentials: Name | None = Field(None, description="for switching ports; never those for reading")
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


class Stream(Part):
    """A camera's video stream as configured."""

    path: str
    kilobits_per_s: float = Field(gt=0, le=1_000_000)
    port: Port = 554
    over: Literal["tcp", "udp"] = "tcp"
    megabytes_per_day: float = Field(60, ge=0, le=100_000, description="what looking at it may cost; 0: no picture")


class Load(Part):
    """A powered device on a switch port."""

    imperial: ClassVar[Imperial] = {"cable_ft": ("cable_m", feet_to_m)}
    name: Name
    was: Name | None = Field(None, description="its name before; its history goes on under the new one")
    kind: Literal["camera", "access-point", "gateway", "radio-link", "other"]
    port: str
    address: Address | None = None
    mac: str | None = Field(None, pattern=r"^[0-9a-fA-F]{2}(:[0-9a-fA-F]{2}){5}$")
    poe_class: int = Field(ge=0, le=8)
    watts: Watts
    night_watts: Watts | None = None
    heater_watts: Watts = 0
    start_up_watts: Watts | None = None
    poe_priority: Literal["critical", "high", "low"] = "low"
    megabits_per_s: float | None = Field(None, ge=0, le=400_000, description="95th percentile that it sends upward")
    cable_m: Annotated[float, Field(ge=0, le=1000)]
    cable: Name = "category-5e"
    vlan: Vlan | None = None
    credentials: Name | None = None
    reach: list[Literal["icmp", "tcp", "rtsp", "onvif"]] = ["icmp"]
    tcp_port: Port | None = None
    onvif_port: Port = 80
    stream: Stream | None = None
    may_cycle: bool = Field(False, description="its port may be switched off and on from the chair")


class Radio(Part):
    """A pole without fibre: the load elsewhere whose radio reaches it."""

    radio: Name


class Pole(Part):
    """A remote mast with an outdoor switch and its loads."""

    name: Name
    was: Name | None = Field(None, description="its name before; its history goes on under the new one")
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
    places: list[Name] = Field([], description="poles and supplies of which this person is told; none named: of all")
    after_minutes: float = Field(0, ge=0, le=10_080, description="told only if nobody has acknowledged for so long")
    remind_minutes: float | None = Field(None, ge=1, le=10_080, description="told again so often until somebody does")
    language: Language | None = Field(None, description="of this person's messages; none named: the site's")
    prove_weekly: bool = Field(True, description="a test message where nothing else went to this person for a week")


class Season(Part):
    """Alarms that are not wanted in a part of the year, with the reason."""

    places: list[Name] = Field(min_length=1)
    types: list[Name] = []
    start: Annotated[str, Field(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$", alias="from")]
    until: Annotated[str, Field(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$")]
    reason: str = Field(min_length=3)


class Reviews(Part):
    """The monthly review, made and sent by itself: on which day of the next month, at what time, to whom."""

    to: list[Name] = Field([], description="entries of the secrets file; a mail account gets the document as well")
    day: int = Field(1, ge=1, le=28)
    at: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] = "06:45"


class SignOfLife(Part):
    """The outbound proof that farpole itself runs."""

    url_secret: Name
    every_minutes: float = Field(gt=0, le=1440)


class Acting(Part):
    """What may be done from the chair; off unless said here."""

    cycle: Literal["allowed", "off"] = "off"
    revive_hung_camera: Literal["on", "off"] = "off"
    v2c_writing: Literal["refused", "accepted in clear"] = "refused"


class Rounds(Part):
    """How often devices are asked, and how long a callout is held back so that a blip wakes nobody."""

    reach_s: float = Field(15, ge=1, le=3600)
    measure_s: float = Field(60, ge=2, le=86_400)
    learn_s: float = Field(86_400, ge=10, le=604_800)
    audit_s: float = Field(900, ge=10, le=86_400)
    dusk_s: float = Field(10, ge=2, le=86_400)
    stream_s: float = Field(900, ge=5, le=86_400)
    hold_s: float = Field(30, ge=0, le=3600)


class Traps(Part):
    """Where notifications of the devices are taken. The usual port 162 needs privileges, so it is another."""

    address: Address = "0.0.0.0"
    port: int = Field(1162, ge=0, le=65535, description="0: any free one")


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
    public_url: str | None = Field(
        None,
        pattern=r"^https?://[^\s/]+(/[^\s]*)?$",
        description="where people reach the page; links stand in callouts then",
    )
    shelves: list[Season] = []
    reviews: Reviews | None = Reviews()
    sign_of_life: SignOfLife | None = None
    acting: Acting = Acting()
    rounds: Rounds = Rounds()
    traps: Traps | Literal["off"] = Traps()

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
