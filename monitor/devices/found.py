"""What is on the network, against what the plan says. Pure: tables and answers in, differences out."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from monitor.devices.decode.bridge import Station
from monitor.devices.decode.lldp import Neighbour
from monitor.facts import resources
from monitor.facts.words import Said, say
from monitor.plan.parts import Load, Plan


@dataclass(frozen=True, slots=True)
class SwitchFound:
    """What one switch's own tables say. Rows are ifIndexes; ``ports`` is row → the port as the plan writes it."""

    place: str
    answered: bool
    ports: Mapping[int, str] = field(default_factory=dict)
    stations: tuple[Station, ...] = ()
    neighbours: tuple[Neighbour, ...] = ()
    pvids: Mapping[int, int] = field(default_factory=dict)
    speeds: Mapping[int, float] = field(default_factory=dict)
    half_duplex: frozenset[int] = frozenset()
    classes: Mapping[str, int] = field(default_factory=dict)
    arp: tuple[tuple[str, str], ...] = ()
    """(address, MAC) pairs that the switch itself knows."""


@dataclass(frozen=True, slots=True)
class Device:
    """One device on the network: where it is, how it is known."""

    mac: str
    place: str = ""
    port: str = ""
    addresses: tuple[str, ...] = ()
    vlan: int | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, order=True)
class Difference:
    """One thing that is not as the plan says. ``kind`` is one of KINDS; ``resource`` is what it is about."""

    kind: str
    resource: str
    words: str
    mac: str = ""


KINDS = {
    "missing": "in the plan and not found",
    "moved": "found at another port than the plan says",
    "unknown": "at a port, and not in the plan",
    "extra": "answers, and stands neither in the plan nor behind a port that could be told",
    "duplicate": "one address, two devices",
    "vlan": "in another VLAN than the plan says",
    "speed": "slower than its port can be, or half duplex",
    "class": "of another PoE class than the plan says",
}


@dataclass(frozen=True, slots=True)
class Found:
    """Everything that a survey has found."""

    switches: Mapping[str, SwitchFound]
    arp: tuple[tuple[str, str], ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)
    """Address → what the device there says of itself (WS-Discovery, mDNS, LLDP)."""
    swept: bool = False
    """Was every address of the plan's networks asked? Only then can a silent one be called missing."""


def links_of(plan: Plan, place: str) -> frozenset[str]:
    """Ports of a place that lead to other switches: what is seen there lies behind them."""
    found = set()
    for pole in plan.poles:
        if pole.fibre is not None:
            if (pole.fibre.start.pole or plan.headend.name) == place:
                found.add(pole.fibre.start.port)
            if pole.name == place:
                found.add(pole.fibre.end.port)
        if pole.name == place:
            found |= {load.port for load in pole.loads if load.kind == "radio-link"}
    return frozenset(found)


def devices(plan: Plan, found: Found) -> list[Device]:
    """Every hardware address once, at the port where it is no longer behind another switch."""
    addresses: dict[str, list[str]] = {}
    for address, mac in (*found.arp, *(pair for one in found.switches.values() for pair in one.arp)):
        if address not in addresses.setdefault(mac, []):
            addresses[mac].append(address)
    placed: dict[str, Device] = {}
    for place, switch in found.switches.items():
        links = links_of(plan, place)
        for station in switch.stations:
            port = switch.ports.get(station.row, "")
            if port and port not in links:
                own = tuple(addresses.get(station.mac, ()))
                said = next((found.words[a] for a in own if a in found.words), "")
                placed[station.mac] = Device(station.mac, place, port, own, station.vlan, said)
    for mac, own_addresses in addresses.items():
        said = next((found.words[a] for a in own_addresses if a in found.words), "")
        placed.setdefault(mac, Device(mac, addresses=tuple(own_addresses), words=said))
    return sorted(placed.values(), key=lambda one: (one.place, one.port, one.mac))


def compare(plan: Plan, found: Found, known: frozenset[tuple[str, str]] = frozenset()) -> list[Difference]:
    """All differences between a plan and what was found.

    ``known`` are (port resource, MAC) pairs that were seen before and taken as right: a load of which the plan
    does not give the hardware address is known by it.
    """
    all_found = devices(plan, found)
    return sorted(
        {
            *_duplicates(found, all_found),
            *_loads(plan, found, all_found),
            *_strangers(plan, all_found, known),
            *_ports(plan, found),
            *_switches(found),
        }
    )


def _switches(found: Found) -> Iterator[Difference]:
    for place, switch in found.switches.items():
        if not switch.answered:
            yield Difference("missing", resources.switch(place), "the switch does not answer SNMP")


def _duplicates(found: Found, all_found: list[Device]) -> Iterator[Difference]:
    owners: dict[str, list[Device]] = {}
    for device in all_found:
        for address in device.addresses:
            owners.setdefault(address, []).append(device)
    for address, several in owners.items():
        if len(several) > 1:
            where = " and ".join(f"{one.mac}{_at(one)}" for one in several)
            yield Difference("duplicate", address, say("{address} is claimed by {where}", address=address, where=where))


def _at(device: Device) -> str:
    return f" at {device.place} port {device.port}" if device.place else ""


def _mine(load: Load, all_found: list[Device]) -> Device | None:
    """The device that is a load: by its hardware address where the plan has it, else by its address."""
    if load.mac:
        return next((one for one in all_found if one.mac == load.mac.lower()), None)
    return next((one for one in all_found if load.address in one.addresses), None) if load.address else None


def _loads(plan: Plan, found: Found, all_found: list[Device]) -> Iterator[Difference]:
    for pole in plan.poles:
        switch = found.switches.get(pole.name)
        for load in pole.loads:
            resource, mine = resources.load(pole.name, load.name), _mine(load, all_found)
            if mine is None:
                asked = switch is not None and switch.answered and (load.mac or (load.address and found.swept))
                if asked and load.kind != "radio-link":
                    words = say("{load} ({at}) was not found", load=load.name, at=load.address or load.mac)
                    yield Difference("missing", resource, words)
                continue
            if mine.place and (mine.place, mine.port) != (pole.name, load.port):
                words = say(
                    "{load} is at {place} port {port}, the plan says {pole} port {planned}",
                    load=load.name,
                    place=mine.place,
                    port=mine.port,
                    pole=pole.name,
                    planned=load.port,
                )
                yield Difference("moved", resource, words, mine.mac)
            if load.address and mine.addresses and load.address not in mine.addresses:
                at = {"found": ", ".join(mine.addresses), "planned": load.address}
                words = say("{load} has the address {found}, the plan says {planned}", load=load.name, **at)
                yield Difference("moved", resource, words, mine.mac)
            if load.vlan and mine.vlan and mine.vlan != load.vlan:
                vlans = {"found": mine.vlan, "planned": load.vlan}
                words = say("{load} is in VLAN {found}, the plan says {planned}", load=load.name, **vlans)
                yield Difference("vlan", resource, words, mine.mac)


def _strangers(plan: Plan, all_found: list[Device], known: frozenset[tuple[str, str]]) -> Iterator[Difference]:
    planned = {load.mac.lower() for pole in plan.poles for load in pole.loads if load.mac}
    addressed = {load.address for pole in plan.poles for load in pole.loads if load.address}
    own = {pole.switch.address for pole in plan.poles} | {plan.headend.switch.address}
    poles = {pole.name: pole for pole in plan.poles}
    for device in all_found:
        mine = device.mac in planned or addressed & set(device.addresses) or own & set(device.addresses)
        if mine:
            continue
        if device.place in poles:
            resource = resources.port(device.place, device.port)
            at_port = [load for load in poles[device.place].loads if load.port == device.port]
            unnamed = any(not load.mac and not device.addresses for load in at_port)
            if (resource, device.mac) not in known and not (unnamed and not _others(known, resource)):
                who = f" ({', '.join(device.addresses)})" if device.addresses else ""
                where = {"device": f"{device.mac}{who}", "place": device.place, "port": device.port}
                words = say("{device} at {place} port {port} is not in the plan", **where)
                yield Difference("unknown", resource, _says(words, device), device.mac)
        elif not device.place and device.addresses:
            words = say("{device} is not in the plan", device=f"{', '.join(device.addresses)} ({device.mac})")
            yield Difference("extra", device.addresses[0], _says(words, device), device.mac)


def _says(words: Said, device: Device) -> Said:
    return say("{what}, says: {words}", what=words, words=device.words) if device.words else words


def _others(known: frozenset[tuple[str, str]], resource: str) -> bool:
    """Is another hardware address known at this port already?"""
    return any(port == resource for port, _ in known)


def _ports(plan: Plan, found: Found) -> Iterator[Difference]:
    for pole in plan.poles:
        switch = found.switches.get(pole.name)
        if switch is None:
            continue
        row_of = {port: row for row, port in switch.ports.items()}
        for load in pole.loads:
            resource, row = resources.port(pole.name, load.port), row_of.get(load.port)
            pvid = switch.pvids.get(row) if row is not None else None
            if load.vlan and pvid and pvid != load.vlan:
                words = "port {port} has VLAN {found}, the plan says {planned}"
                yield Difference("vlan", resource, say(words, port=load.port, found=pvid, planned=load.vlan))
            if row is not None and row in switch.half_duplex:
                words = "port {port} runs half duplex: set both ends to automatic"
                yield Difference("speed", resource, say(words, port=load.port))
            speed = switch.speeds.get(row, 0.0) if row is not None else 0.0
            if speed == 10:
                words = "port {port} runs at 10 Mb/s: a bad pair or plug, or a device that sleeps"
                yield Difference("speed", resource, say(words, port=load.port))
            given = switch.classes.get(load.port)
            if given is not None and given != load.poe_class:
                words = "port {port} sees class {found}, the plan says {planned} for {load}"
                classes = {"found": given, "planned": load.poe_class}
                yield Difference("class", resource, say(words, port=load.port, load=load.name, **classes))


def first_seen(plan: Plan, found: Found, known: frozenset[tuple[str, str]]) -> frozenset[tuple[str, str]]:
    """Stations to be taken as right from now on: the first at a port whose load the plan gives no hardware address,
    and every load found by its address."""
    made = set()
    for device in devices(plan, found):
        pole = next((pole for pole in plan.poles if pole.name == device.place), None)
        if pole is None:
            continue
        resource = resources.port(device.place, device.port)
        at_port = [load for load in pole.loads if load.port == device.port]
        by_address = any(load.address in device.addresses for load in at_port if load.address)
        unnamed = any(not load.mac for load in at_port) and not device.addresses and not _others(known, resource)
        if by_address or unnamed:
            made.add((resource, device.mac))
    return frozenset(made) - known
