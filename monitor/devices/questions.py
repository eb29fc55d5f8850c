"""Plan → what to ask whom; answers → rounds. Pure: nothing here knows a socket or a clock."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from monitor.devices.decode import bridge, columns, entity_sensor, etherlike, interfaces, power_ethernet, ups
from monitor.devices.decode.raw import Absent, Garbled, Missing, Oid, Raw, Table, Want, rows
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.plan.datasheets import DeviceSheet, Sheets
from monitor.plan.parts import Load, MainsSupply, Plan, Sensor, Stream, SwitchAccess

REACH, MEASURE = "reach", "measure"


@dataclass(frozen=True, slots=True)
class Device:
    """Something with an address that is asked over SNMP. ``name`` is the resource that its rounds are kept under."""

    name: str
    place: str
    address: str
    port: int
    credentials: str
    sheet: DeviceSheet
    ping: bool = False
    link_ports: tuple[str, ...] = ()
    """Ports that lead to other poles."""
    poe_ports: tuple[str, ...] = ()
    optic_ports: tuple[str, ...] = ()
    supplies: Mapping[str, str] = field(default_factory=dict)
    feeders: Mapping[str, str] = field(default_factory=dict)

    @property
    def ports(self) -> tuple[str, ...]:
        """All ports that the plan uses, each once."""
        return tuple(dict.fromkeys((*self.link_ports, *self.poe_ports, *self.optic_ports)))


@dataclass(frozen=True, slots=True)
class LoadToAsk:
    """A load and the ways in which it is reached."""

    resource: str
    name: str
    place: str
    address: str
    ping: bool
    tcp_port: int | None
    port: str = ""
    """The switch port that feeds it."""
    stream: Stream | None = None
    credentials: str | None = None
    onvif_port: int | None = None


@dataclass(frozen=True, slots=True)
class Script:
    """What to ask one device in one tier, and where each answer goes.

    ``places[i]`` is where in ``oids`` the answer to ``wants[i]`` is found, ``guards[i]`` where its guard's, or -1.
    ``rows`` is table entry → the indexes of its rows in the agent's order, so that columns can travel together.
    """

    device: str
    layout: Layout
    wants: tuple[Want, ...]
    oids: tuple[Oid, ...]
    places: tuple[int, ...]
    guards: tuple[int, ...]
    rows: Mapping[Oid, tuple[Oid, ...]] = field(default_factory=dict)

    def same_as(self, other: "Script") -> bool:
        """Does it ask the same objects for the same slots, of the same rows?"""
        return (self.oids, self.layout.slots, self.rows) == (other.oids, other.layout.slots, other.rows)


def devices_of(plan: Plan, sheets: Sheets) -> dict[str, Device]:
    """Every SNMP device of a plan by name: switches as ``creek/switch``, meters as ``meter/ADDRESS``."""
    found = [_switch(plan, sheets, plan.headend.name, plan.headend.switch)]
    found += [_switch(plan, sheets, pole.name, pole.switch) for pole in plan.poles]
    found += _meters(plan, sheets)
    return {device.name: device for device in found}


def _switch(plan: Plan, sheets: Sheets, place: str, access: SwitchAccess) -> Device:
    links, optics, poe = [], [], []
    for pole in plan.poles:
        if pole.fibre and (pole.fibre.start.pole or plan.headend.name) == place:
            links.append(pole.fibre.start.port)
            optics.append(pole.fibre.start.port)
        if pole.name == place:
            optics += [pole.fibre.end.port] if pole.fibre else []
            poe += [load.port for load in pole.loads]
            links += [load.port for load in pole.loads if load.kind == "radio-link"]
    return Device(
        resources.switch(place),
        place,
        access.address,
        access.port,
        access.credentials,
        sheets.devices[access.datasheet],
        "icmp" in access.reach,
        tuple(links),
        tuple(poe),
        tuple(optics),
    )


def _meters(plan: Plan, sheets: Sheets) -> Iterable[Device]:
    supplies: dict[tuple[str, int], dict[str, str]] = {}
    feeders: dict[tuple[str, int], dict[str, str]] = {}
    sensors: dict[tuple[str, int], Sensor] = {}
    home: dict[str, tuple[str, int]] = {}
    for supply in plan.supplies:
        sensor = supply.volts_sensor if isinstance(supply, MainsSupply) else None
        if sensor and sensor.kind == "snmp" and sensor.address:
            key = home[supply.name] = (sensor.address, sensor.port or 161)
            sensors.setdefault(key, sensor)
            supplies.setdefault(key, {})[supply.name] = sensor.channel
    for pole in plan.poles:
        sensor = plan.headend.feeder_sensors.get(pole.name)
        if sensor is None or sensor.kind != "snmp" or pole.feeder is None or pole.feeder.supply is None:
            continue
        key = (sensor.address, sensor.port or 161) if sensor.address else home[pole.feeder.supply]
        sensors.setdefault(key, sensor)
        feeders.setdefault(key, {})[pole.name] = sensor.channel
    for (address, port), sensor in sensors.items():
        credentials = sensor.credentials or plan.headend.switch.credentials
        yield Device(
            f"meter/{address}",
            plan.headend.name,
            address,
            port,
            credentials,
            sheets.devices[sensor.datasheet],
            supplies=supplies.get((address, port), {}),
            feeders=feeders.get((address, port), {}),
        )


def loads_of(plan: Plan) -> dict[str, list[LoadToAsk]]:
    """Pole → the loads there that can be asked."""
    return {pole.name: [_load(pole.name, load) for load in pole.loads if load.address] for pole in plan.poles}


def _load(pole: str, load: Load) -> LoadToAsk:
    tcp: int | None = None
    if {"tcp", "rtsp"} & set(load.reach):
        tcp = load.tcp_port or (load.stream.port if load.stream else 554)
    return LoadToAsk(
        resources.load(pole, load.name),
        load.name,
        pole,
        load.address or "",
        "icmp" in load.reach,
        tcp,
        load.port,
        load.stream if "rtsp" in load.reach else None,
        load.credentials,
        load.onvif_port if "onvif" in load.reach else None,
    )


_MIBS: Mapping[str, tuple[Oid, ...]] = {
    "if-mib": interfaces.LEARN,
    "etherlike-mib": etherlike.LEARN,
    "power-ethernet-mib": power_ethernet.LEARN,
    "entity-sensor-mib": entity_sensor.LEARN,
    "bridge-mib": (),
    "ups-mib": ups.LEARN,
}
_TABLES: Mapping[Oid, Oid] = {
    interfaces.ENTRY: interfaces.IF_TYPE,
    interfaces.X_ENTRY: interfaces.IF_NAME,
    etherlike.ENTRY: etherlike.FCS_ERRORS,
    power_ethernet.PORT: power_ethernet.DETECTION,
    entity_sensor.SENSOR_TYPE[:-1]: entity_sensor.SENSOR_TYPE,
}
"""Table entry → the learnt column that tells its rows."""


def to_learn(device: Device) -> tuple[Oid, ...]:
    """Columns to walk once, so that later rounds ask only for rows that exist."""
    return (*(column for mib in device.sheet.mibs for column in _MIBS[mib]), *columns.to_learn(device.sheet))


def ports_of(
    device: Device, learnt: Table, expected: Mapping[Slot, tuple[float, float]] | None = None
) -> columns.Ports:
    """The plan's ports of a switch with their rows, as far as they have been learnt."""
    index = interfaces.port_rows(learnt, device.ports, device.sheet.port_name)
    return columns.Ports(device.place, index, device.poe_ports, expected or {})


def poe_rows_of(device: Device, learnt: Table) -> dict[str, Oid]:
    """Port of the plan → its row in the PoE table of RFC 3621."""
    return power_ethernet.port_rows(learnt, device.poe_ports) if "power-ethernet-mib" in device.sheet.mibs else {}


def serials_of(device: Device, learnt: Table) -> dict[str, str]:
    """Optic → serial number, as far as a device tells them."""
    if "entity-sensor-mib" not in device.sheet.mibs:
        return {}
    index = ports_of(device, learnt).index
    return entity_sensor.serials(device.place, learnt, {row: port for port, row in index.items()})


def scripts_of(
    device: Device, learnt: Table, expected: Mapping[Slot, tuple[float, float]] | None = None
) -> dict[str, Script]:
    """Tier → script, from the rows that a device has shown to have.

    ``expected`` is what the plan expects to read: evidence for columns whose unit has to be proven.
    """
    reach: list[Want] = []
    measure: list[Want] = []
    ports, mibs = ports_of(device, learnt, expected), device.sheet.mibs
    place, index = device.place, ports.index
    if not device.name.startswith("meter/"):
        reach += interfaces.states(place, index, device.link_ports)  # every agent has sysUpTime (RFC 3418)
    everywhere = interfaces.all_ports(learnt, index, device.sheet.port_name)
    if "if-mib" in mibs:
        quiet = [port for port in everywhere if port not in device.link_ports]
        measure += list(interfaces.states(place, everywhere, quiet))[1:]
        measure += interfaces.wants(place, everywhere, learnt)
        measure += interfaces.tables(place)
    if "etherlike-mib" in mibs:
        has = {index[0] for index in rows(learnt, etherlike.FCS_ERRORS) if len(index) == 1}
        measure += etherlike.wants(place, {port: row for port, row in everywhere.items() if row in has})
    if "power-ethernet-mib" in mibs:
        poe = power_ethernet.port_rows(learnt, device.poe_ports)
        measure += power_ethernet.wants(place, poe, power_ethernet.groups(learnt), learnt)
    if "entity-sensor-mib" in mibs:
        measure += entity_sensor.wants(place, learnt, {row: port for port, row in index.items()})
    if "bridge-mib" in mibs:
        measure += bridge.wants(place)
    measure += columns.wants_of_switch(device.sheet, ports, learnt)
    reach += columns.wants_of_meter(device.sheet, device.supplies, device.feeders)
    if "ups-mib" in mibs:
        reach += (want for supply in device.supplies for want in ups.wants(supply, learnt))
    known = {entry: tuple(rows(learnt, column)) for entry, column in _TABLES.items()}
    known = {entry: indexes for entry, indexes in known.items() if indexes}
    return {
        tier: script(device.name, tier, wants, known) for tier, wants in ((REACH, reach), (MEASURE, measure)) if wants
    }


def script(device: str, tier: str, wants: Iterable[Want], rows: Mapping[Oid, tuple[Oid, ...]] | None = None) -> Script:
    """A script of these wants; of two wants for one slot the later (the datasheet's) holds."""
    by_slot = {want.slot: want for want in wants}
    kept = tuple(by_slot.values())
    place: dict[Oid, int] = {}
    for want in kept:
        place.setdefault(want.oid, len(place))
    for want in kept:
        if want.guard:
            place.setdefault(want.guard[0], len(place))
    places = tuple(place[want.oid] for want in kept)
    guards = tuple(place[want.guard[0]] if want.guard else -1 for want in kept)
    return Script(device, Layout(device, tier, tuple(by_slot)), kept, tuple(place), places, guards, rows or {})


def fill(asked: Script, answers: Sequence[Raw | None], at_s: float) -> Round:
    """The answers as a round. What was not answered at all is silent, what the agent lacks is absent.

    ``answers`` has a value, or None for silence, for each of the script's ``oids``.
    """
    readings = Round.blank(asked.layout, at_s, State.SILENT)
    put, states = readings.put, readings.states
    for i, (want, place, guard) in enumerate(zip(asked.wants, asked.places, asked.guards, strict=True)):
        raw = answers[place]
        if raw is None:
            continue
        if raw.__class__ is Missing:
            states[i] = State.ABSENT
            continue
        try:
            if guard >= 0 and want.guard:
                said = answers[guard]
                if said is not None and said.__class__ is not Missing:
                    want.guard[1](said)
            put(i, want.convert(raw))
        except Absent:
            states[i] = State.ABSENT
        except Garbled as garbled:
            readings.garble(i, str(garbled))
    return readings


def undecodable(asked: Script, at_s: float, why: str) -> Round:
    """A round of a device that answered with what cannot be decoded: garbled throughout, never silent."""
    readings = Round.blank(asked.layout, at_s, State.GARBLED)
    readings.why = dict.fromkeys(range(len(asked.wants)), why)
    return readings
