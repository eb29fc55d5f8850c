"""Surveys: the switches' own tables, a sweep of the plan's networks, and what answers multicast questions."""

import ipaddress
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from monitor.devices.ask import helper
from monitor.devices.ask.multicast import mdns_query, ws_discovery_probe
from monitor.devices.ask.snmp import Agent, Asker, Community, Outcome, User, walk
from monitor.devices.decode import bridge, etherlike, frames, interfaces, ip_addresses, lldp, mdns, power_ethernet
from monitor.devices.decode import ws_discovery as wsd
from monitor.devices.decode.raw import Garbled, Table, rows
from monitor.devices.found import Found, SwitchFound
from monitor.devices.questions import Device
from monitor.plan.parts import Plan

COLUMNS = (
    *interfaces.LEARN[:3],
    (*interfaces.X_ENTRY, 15),
    *bridge.FOUND,
    bridge.PVID,
    *lldp.FOUND,
    etherlike.DUPLEX,
    power_ethernet.DETECTION,
    power_ethernet.CLASSIFICATION,
    *ip_addresses.FOUND,
)
_DELIVERING, _HALF = 3, 2
Say = Callable[[str], None]


async def switch_tables(asker: Asker, agent: Agent, device: Device) -> SwitchFound:
    """One switch's tables, as far as it has them."""
    answer = await walk(asker, agent, COLUMNS, repetitions=25)
    if answer.outcome is not Outcome.OK and not answer.objects:
        return SwitchFound(device.place, answered=False)
    return read_tables(device, answer.objects)


def read_tables(device: Device, table: Table) -> SwitchFound:
    """What a switch's tables say."""
    index = interfaces.port_rows(table, device.ports, device.sheet.port_name)
    every = interfaces.all_ports(table, index, device.sheet.port_name)
    by_bridge = {i[0]: raw for i, raw in rows(table, bridge.BASE_IF_INDEX).items() if isinstance(raw, int)}
    pvids = {by_bridge.get(i[0], i[0]): raw for i, raw in rows(table, bridge.PVID).items() if isinstance(raw, int)}
    speeds = {i[0]: float(raw) for i, raw in rows(table, (*interfaces.X_ENTRY, 15)).items() if isinstance(raw, int)}
    half = {i[0] for i, raw in rows(table, etherlike.DUPLEX).items() if raw == _HALF}
    states, classes = rows(table, power_ethernet.DETECTION), rows(table, power_ethernet.CLASSIFICATION)
    delivering = {
        str(i[1]): raw - 1
        for i, raw in classes.items()
        if isinstance(raw, int) and len(i) == 2 and states.get(i) == _DELIVERING
    }
    return SwitchFound(
        device.place,
        True,
        {row: port for port, row in every.items()},
        tuple(bridge.stations(table)),
        tuple(lldp.neighbours(table)),
        pvids,
        speeds,
        frozenset(half),
        delivering,
        tuple(ip_addresses.pairs(table)),
    )


@dataclass(frozen=True, slots=True)
class Ways:
    """What a survey may send from this box, and where."""

    interface: str
    address: str
    networks: tuple[str, ...]


def ways_of(plan: Plan, interface: str | None) -> list[Ways]:
    """Our interfaces that lie in the plan's networks: nothing is ever sent beyond them."""
    found = []
    for name, own in _own_addresses():
        mine = ipaddress.IPv4Address(own)
        networks = [n for n in plan.site.subnets if isinstance(n, ipaddress.IPv4Network) and mine in n]
        if networks and interface in (None, name):
            found.append(Ways(name, own, tuple(map(str, networks))))
    return found


def _own_addresses() -> list[tuple[str, str]]:
    """(interface, IPv4 address) pairs of this box, by Linux's SIOCGIFADDR."""
    import fcntl
    import struct

    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        for _, name in socket.if_nameindex():
            try:
                got = fcntl.ioctl(asked.fileno(), 0x8915, struct.pack("256s", name.encode()[:15]))
            except OSError:
                continue  # an interface without an IPv4 address
            found.append((name, socket.inet_ntoa(got[20:24])))
    return found


def intended(plan: Plan, ways: list[Ways], listen_s: float) -> list[str]:
    """What will be sent, for people, before it is sent."""
    switches = 1 + len(plan.poles)
    said = [f"SNMP questions to the {switches} switches of the plan"]
    for way in ways:
        hosts = sum(ipaddress.IPv4Network(n).num_addresses - 2 for n in way.networks)
        said.append(
            f"on {way.interface}: up to {4 * hosts:,} ARP requests to {', '.join(way.networks)}, at most 2,000 "
            f"a second; {listen_s:.0f} s of listening for LLDP"
        )
        said.append(f"on {way.interface}: multicast questions by WS-Discovery and mDNS, which stay on the segment")
    if not ways:
        said.append("nothing else: this box has no address in the plan's subnets")
    return said


async def survey(
    plan: Plan,
    devices: list[Device],
    asker: Asker,
    credentials: dict[str, Community | User],
    ways: list[Ways],
    listen_s: float,
    say: Say,
    helper_socket: Path = helper.SOCKET,
) -> Found:
    """Everything that can be found; what could not be asked is said."""
    switches = {}
    for device in devices:
        agent = Agent(device.address, device.port, credentials[device.credentials], 1.0, 1)
        switches[device.place] = await switch_tables(asker, agent, device)
        say(f"{device.place}: " + ("read" if switches[device.place].answered else "does not answer"))
    words: dict[str, str] = {}
    arp: list[tuple[str, str]] = []
    swept = bool(ways)
    for way in ways:
        await _multicast(way, words, say)
        try:
            async for one in helper.sweep(way.interface, way.networks, listen_s, helper_socket):
                _take(one, arp, words)
        except helper.NoHelper as error:
            swept = False
            say(f"no sweep on {way.interface}: {error}; what the switches know is used")
    return Found(switches, tuple(arp), words, swept)


def _take(one: dict[str, object], arp: list[tuple[str, str]], words: dict[str, str]) -> None:
    if one.get("kind") == "arp":
        arp.append((str(one["address"]), str(one["mac"])))
        return
    try:
        heard = frames.lldp(bytes.fromhex(str(one.get("frame", ""))))
    except (Garbled, ValueError):
        return  # a frame that is no LLDP frame tells nothing
    for address in heard.addresses:
        words.setdefault(address, f"{heard.name or heard.chassis}, {heard.words}".strip(", "))


async def _multicast(way: Ways, words: dict[str, str], say: Say) -> None:
    garbled = 0
    try:
        async for data, source in ws_discovery_probe(way.address):
            try:
                for endpoint in wsd.matches(data):
                    what = "camera" if endpoint.camera else "device"
                    said = " ".join(part for part in (what, endpoint.name, endpoint.hardware) if part)
                    for address in endpoint.addresses or (source,):
                        words.setdefault(address, said)
            except Garbled:
                garbled += 1
        async for data, source in mdns_query(way.address):
            try:
                names = mdns.answer(data).names
            except Garbled:
                garbled += 1
                continue
            if names:
                words.setdefault(source, names[0].split("._")[0])
    except OSError as error:
        say(f"no multicast questions on {way.interface}: {error.strerror or error}")
    if garbled:
        say(f"{garbled} answers could not be read")
