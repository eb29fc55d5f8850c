"""What is on the network, against what the plan says. Pure: tables and answers in, differences out."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from monitor.devices.decode.bridge import Station
from monitor.devices.decode.lldp import Neighbour
from monitor.facts import resources
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
            yield Difference("duplicate", address, f"{address} is claimed by {where}")


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
                    yield Difference("missing", resource, f"{load.name} ({load.address or load.mac}) was not found")
                continue
            if mine.place and (mine.place, mine.port) != (pole.name, load.port):
                words = f"{load.name} is at {mine.place} port {mine.port}, the plan says {pole.name} port {load.port}"
                yield Difference("moved", resource, words, mine.mac)
            if load.address and mine.addresses and load.address not in mine.addresses:
                words = f"{load.name} has the address {', '.join(mine.addresses)}, the plan says {load.address}"
                yield Difference("moved", resource, words, mine.mac)
            if load.vlan and mine.vlan and mine.vlan != load.vlan:
                words = f"{load.name} is in VLAN {mine.vlan}, the plan says {load.vlan}"
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
                said = f", says: {device.words}" if device.words else ""
                words = f"{device.mac}{who} at {device.place} port {device.port} is not in the plan{said}"
                yield Difference("unknown", resource, words, device.mac)
        elif not device.place and device.addresses:
            said = f", says: {device.words}" if device.words else ""
            words = f"{', '.join(device.addresses)} ({device.mac}) is not in the plan{said}"
            yield Difference("extra", device.addresses[0], words, device.mac)


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
                yield Difference("vlan", resource, f"port {load.port} has VLAN {pvid}, the plan says {load.vlan}")
            if row is not None and row in switch.half_duplex:
                yield Difference("speed", resource, f"port {load.port} runs half duplex: set both ends to automatic")
            speed = switch.speeds.get(row, 0.0) if row is not None else 0.0
            if speed == 10:
                words = f"port {load.port} runs at 10 Mb/s: a bad pair or plug, or a device that sleeps"
                yield Difference("speed", resource, words)
            given = switch.classes.get(load.port)
            if given is not None and given != load.poe_class:
                words = f"port {load.port} sees class {given}, the plan says {load.poe_class} for {load.name}"
                yield Difference("class", resource, words)


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


def tree(plan: Plan, found: Found, differences: Iterable[Difference]) -> list[str]:
    """Head-end → pole → port → device, with what is not as planned beside it."""
    beside: dict[str, list[Difference]] = {}
    for one in differences:
        beside.setdefault(one.resource, []).append(one)
    all_found = devices(plan, found)
    top = plan.headend.name
    said = [_line(0, top, _switch_words(found, top), beside.get(resources.switch(top)))]
    above = {pole.name: _above(plan, pole.name) for pole in plan.poles}

    def below(place: str, depth: int) -> None:
        for pole in plan.poles:
            if above[pole.name] != place:
                continue
            said.append(
                _line(depth, pole.name, _switch_words(found, pole.name), beside.get(resources.switch(pole.name)))
            )
            named = {load.port: load for load in pole.loads}
            seen = {one.port for one in all_found if one.place == pole.name} | set(named)
            for port in sorted(seen, key=lambda name: (len(name), name)):
                said.extend(_port_lines(pole.name, port, named.get(port), all_found, beside, depth + 1))
            below(pole.name, depth + 1)

    below(top, 1)
    return said


def _above(plan: Plan, name: str) -> str:
    pole = plan.pole(name)
    if pole.fibre is not None:
        return pole.fibre.start.pole or plan.headend.name
    radio = pole.reached_by.radio if pole.reached_by else ""
    return next((p.name for p in plan.poles if any(load.name == radio for load in p.loads)), plan.headend.name)


def _switch_words(found: Found, place: str) -> str:
    switch = found.switches.get(place)
    if switch is None or not switch.answered:
        return "does not answer"
    heard = ", ".join(dict.fromkeys(n.name or n.chassis for n in switch.neighbours))
    return f"{len(switch.stations)} addresses learnt" + (f"; next to {heard}" if heard else "")


def _port_lines(
    place: str,
    port: str,
    load: Load | None,
    all_found: list[Device],
    beside: Mapping[str, list[Difference]],
    depth: int,
) -> Iterator[str]:
    here = [one for one in all_found if (one.place, one.port) == (place, port)]
    who = ", ".join(f"{one.mac} {' '.join(one.addresses)}".strip() for one in here) or "nothing seen"
    planned = f"{load.name}" if load else "not in the plan"
    wrong = [*beside.get(resources.port(place, port), ())]
    if load is not None:
        wrong += beside.get(resources.load(place, load.name), ())
    yield _line(depth, f"port {port}", f"{planned}: {who}", wrong)


def _line(depth: int, name: str, words: str, wrong: list[Difference] | None) -> str:
    marks = "".join(f"\n{'    ' * (depth + 1)}! {one.kind}: {one.words}" for one in wrong or ())
    return f"{'    ' * depth}{name}  {words}{marks}"
