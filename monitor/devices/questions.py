"""Plan → what to ask whom; answers → rounds. Pure: nothing here knows a socket or a clock."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from monitor.devices.decode import columns, entity_sensor, interfaces, power_ethernet
from monitor.devices.decode.raw import Absent, Garbled, Missing, Oid, Raw, Table, Want
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, State
from monitor.plan.datasheets import DeviceSheet, Sheets
from monitor.plan.parts import Load, MainsSupply, Plan, Sensor, SwitchAccess

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


@dataclass(frozen=True, slots=True)
class Script:
    """What to ask one device in one tier, and where each answer goes."""

    device: str
    layout: Layout
    wants: tuple[Want, ...]
    oids: tuple[Oid, ...]


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
    return LoadToAsk(resources.load(pole, load.name), load.name, pole, load.address or "", "icmp" in load.reach, tcp)


def to_learn(device: Device) -> tuple[Oid, ...]:
    """Columns to walk once, so that later rounds ask only for rows that exist."""
    mibs = {
        "if-mib": interfaces.LEARN,
        "power-ethernet-mib": power_ethernet.LEARN,
        "entity-sensor-mib": entity_sensor.LEARN,
    }
    return tuple(column for mib in device.sheet.mibs for column in mibs[mib])


def scripts_of(device: Device, learnt: Table) -> dict[str, Script]:
    """Tier → script, from the rows that a device has shown to have."""
    reach: list[Want] = []
    measure: list[Want] = []
    index = interfaces.port_rows(learnt, device.ports, device.sheet.port_name)
    if not device.name.startswith("meter/"):
        reach += interfaces.states(device.place, index, device.link_ports)  # every agent has sysUpTime (RFC 3418)
    if device.sheet.mibs:
        quiet = [port for port in device.ports if port not in device.link_ports]
        measure += list(interfaces.states(device.place, index, quiet))[1:]
        measure += interfaces.wants(device.place, index)
        poe = power_ethernet.port_rows(learnt, device.poe_ports)
        measure += power_ethernet.wants(device.place, poe, power_ethernet.groups(learnt))
        port_of_row = {row: port for port, row in index.items()}
        measure += entity_sensor.wants(device.place, learnt, port_of_row)
    measure += columns.wants_of_switch(device.place, device.sheet, list(device.poe_ports), index)
    reach += columns.wants_of_meter(device.sheet, device.supplies, device.feeders)
    return {tier: script(device.name, tier, wants) for tier, wants in ((REACH, reach), (MEASURE, measure)) if wants}


def script(device: str, tier: str, wants: Iterable[Want]) -> Script:
    """A script of these wants; of two wants for one slot the later (the datasheet's) holds."""
    by_slot = {want.slot: want for want in wants}
    kept = tuple(by_slot.values())
    guards = [want.guard[0] for want in kept if want.guard]
    return Script(device, Layout(device, tier, tuple(by_slot)), kept, (*(want.oid for want in kept), *guards))


def fill(asked: Script, answers: Mapping[Oid, Raw], at_s: float) -> Round:
    """The answers as a round. What was not answered at all is silent, what the agent lacks is absent."""
    readings = Round.blank(asked.layout, at_s, State.SILENT)
    for i, want in enumerate(asked.wants):
        raw = answers.get(want.oid)
        if raw is None:
            continue
        if isinstance(raw, Missing):
            readings.states[i] = State.ABSENT
            continue
        try:
            guard = answers.get(want.guard[0]) if want.guard else None
            if want.guard and guard is not None and not isinstance(guard, Missing):
                want.guard[1](guard)
            readings.put(i, want.convert(raw))
        except Absent:
            readings.states[i] = State.ABSENT
        except Garbled as garbled:
            readings.garble(i, str(garbled))
    return readings


def undecodable(asked: Script, at_s: float, why: str) -> Round:
    """A round of a device that answered with what cannot be decoded: garbled throughout, never silent."""
    readings = Round.blank(asked.layout, at_s, State.GARBLED)
    readings.why = dict.fromkeys(range(len(asked.wants)), why)
    return readings
