"""What the simulated agents serve: the world's state as objects of the standard tables and private columns."""

import hashlib
from collections.abc import Iterator

from monitor.facts.states import Dot3StatsDuplexStatus as Duplex
from monitor.facts.states import IfAdminStatus, IfOperStatus, IfType, TruthValue, UpsBatteryStatus, UpsOutputSource
from monitor.facts.units import dbm_to_mw
from monitor.plan.parts import MainsSupply, Pole
from monitor.simulation.ports import Port
from monitor.simulation.world import World

Oid = tuple[int, ...]
Typed = tuple[str, int | bytes | Oid]
"""SNMP type name (integer, octets, oid, counter32, counter64, gauge, ticks) and value."""

_IF, _IFX = (1, 3, 6, 1, 2, 1, 2, 2, 1), (1, 3, 6, 1, 2, 1, 31, 1, 1, 1)
_DOT3 = (1, 3, 6, 1, 2, 1, 10, 7, 2, 1)
_POE, _ENT = (1, 3, 6, 1, 2, 1, 105, 1), (1, 3, 6, 1, 2, 1, 47, 1, 1, 1, 1)
_ALIAS, _SENSOR = (1, 3, 6, 1, 2, 1, 47, 1, 3, 2, 1, 2), (1, 3, 6, 1, 2, 1, 99, 1, 1, 1)
_PRIVATE = (1, 3, 6, 1, 4, 1, 32473)
_BRIDGE, _UPS = (1, 3, 6, 1, 2, 1, 17), (1, 3, 6, 1, 2, 1, 33, 1)


def switch_objects(world: World, place: str) -> dict[Oid, Typed]:
    """All objects of a place's switch now."""
    found: dict[Oid, Typed] = {}
    state, plan = world.places[place], world.plan
    pole = next((pole for pole in plan.poles if pole.name == place), None)
    ticks = int((world.now_s - state.started_s) * 100) % 2**32
    found[1, 3, 6, 1, 2, 1, 1, 1, 0] = ("octets", b"simulated switch")
    found[1, 3, 6, 1, 2, 1, 1, 2, 0] = ("oid", (*_PRIVATE, 1))
    found[1, 3, 6, 1, 2, 1, 1, 3, 0] = ("ticks", ticks)
    found[1, 3, 6, 1, 2, 1, 1, 5, 0] = ("octets", place.encode())
    found[1, 3, 6, 1, 2, 1, 31, 1, 5, 0] = ("ticks", 6000 if state.renumbered else 0)
    found[1, 3, 6, 1, 2, 1, 17, 2, 4, 0] = ("counter32", int(state.topology_changes))
    rows = {port: state.renumbered + row for row, port in enumerate(port_names(world, place), 1)}
    for port, row in rows.items():
        found.update(_interface(world, place, port, row, "port" if pole else ""))
    if pole:
        found.update(_poe(world, pole))
        found.update(_stations(world, pole, rows))
    found.update(_sensors(world, place, rows))
    return dict(sorted(found.items()))


def port_names(world: World, place: str) -> list[str]:
    """The ports of a switch that the plan uses, in the order of their rows."""
    return sorted(world.places[place].ports, key=lambda name: (len(name), name))


def speed_of(world: World, place: str, port: str) -> int:
    """Megabits per second of a port's link; 0 where there is none."""
    found = world.places[place].ports[port]
    return found.megabits_per_s if found.link else 0


def duplex_of(port: Port) -> Duplex:
    """What a port says of its duplex."""
    return Duplex.HALF_DUPLEX if port.half_duplex else Duplex.FULL_DUPLEX


def _interface(world: World, place: str, port: str, row: int, prefix: str) -> dict[Oid, Typed]:
    found = world.places[place].ports[port]
    name = f"{prefix}{port}".encode()

    def counted(*names: str) -> int:
        return int(sum(found.counts.get(name, 0.0) for name in names))

    errors = counted("fcs", "late") % 2**32
    values: tuple[tuple[Oid, Typed], ...] = (
        ((*_IF, 1), ("integer", row)),
        ((*_IF, 2), ("octets", name)),
        ((*_IF, 3), ("integer", IfType.ETHERNET_CSMACD)),
        ((*_IF, 5), ("gauge", found.megabits_per_s * 10**6)),
        ((*_IF, 7), ("integer", IfAdminStatus.UP)),
        ((*_IF, 8), ("integer", IfOperStatus.UP if found.link else IfOperStatus.DOWN)),
        ((*_IF, 13), ("counter32", 0)),
        ((*_IF, 14), ("counter32", errors)),
        ((*_IF, 19), ("counter32", counted("out_discard") % 2**32)),
        ((*_IF, 20), ("counter32", 0)),
        ((*_DOT3, 3), ("counter32", counted("fcs") % 2**32)),
        ((*_DOT3, 8), ("counter32", counted("late") % 2**32)),
        ((*_DOT3, 19), ("integer", duplex_of(found))),
        ((*_IFX, 1), ("octets", name)),
        ((*_IFX, 6), ("counter64", counted("in_octets"))),
        ((*_IFX, 10), ("counter64", counted("out_octets"))),
        ((*_IFX, 3), ("counter32", counted("broadcast") % 2**32)),
        ((*_IFX, 15), ("gauge", speed_of(world, place, port))),
        ((*_IFX, 19), ("ticks", 0)),
    )
    return {(*column, row): typed for column, typed in values}


_POE_COUNTERS = {8: "mps", 11: "invalid", 12: "denied", 13: "overload", 14: "short"}
"""Columns of pethPsePortTable (RFC 3621)."""


def _poe(world: World, pole: Pole) -> Iterator[tuple[Oid, Typed]]:
    state = world.places[pole.name]
    model = 5 if pole.switch.datasheet.endswith("5") else 8
    total = 0.0
    for load in pole.loads:
        number, port = int(load.port), state.ports[load.port]
        total += port.watts
        column = (*_POE, 1, 1)
        lower = world.has("class-mismatch", pole.name) > 0 and state.devices[load.name].victim
        yield (*column, 3, 1, number), ("integer", TruthValue.FALSE if port.off else TruthValue.TRUE)
        yield (*column, 6, 1, number), ("integer", port.poe_state)
        yield (*column, 10, 1, number), ("integer", 2 if lower else load.poe_class + 1)
        for counter, name in _POE_COUNTERS.items():
            yield (*column, counter, 1, number), ("counter32", int(port.counts.get(name, 0.0)) % 2**32)
        yield ((*_PRIVATE, model, 1, 1, 2, number), ("gauge", round(port.watts * (10 if model == 5 else 1000))))
    yield (*_POE, 3, 1, 1, 2, 1), ("gauge", round(pole.switch.poe_budget_watts))
    yield (*_POE, 3, 1, 1, 4, 1), ("gauge", round(total))


def mac_of(world: World, pole: str, load: str) -> bytes:
    """A device's hardware address: the plan's, or one of its own (locally administered)."""
    for one in world.places[pole].devices.values():
        if one.load.name == load and one.load.mac:
            return bytes.fromhex(one.load.mac.replace(":", ""))
    return bytes([2, 0, *hashlib.sha256(f"{pole} {load}".encode()).digest()[:4]])


def _stations(world: World, pole: Pole, rows: dict[str, int]) -> Iterator[tuple[Oid, Typed]]:
    """Learnt addresses by VLAN (Q-BRIDGE-MIB of RFC 4363); bridge ports are numbered as the interfaces are."""
    state = world.places[pole.name]
    for row in rows.values():
        yield (*_BRIDGE, 1, 4, 1, 2, row), ("integer", row)
    for load in pole.loads:
        row = rows[load.port]
        if load.vlan is not None:
            yield (*_BRIDGE, 7, 1, 4, 5, 1, 1, row), ("gauge", load.vlan)
        macs = [mac_of(world, pole.name, load.name)] if state.ports[load.port].link else []
        if state.strange and state.devices[load.name].last:
            macs.append(b"\x02\x00\x5e\x00\xba\xd0")
        for mac in macs:
            yield (*_BRIDGE, 7, 1, 2, 2, 1, 2, load.vlan or 1, *mac), ("integer", row)
            yield (*_BRIDGE, 7, 1, 2, 2, 1, 3, load.vlan or 1, *mac), ("integer", 3)


def _sensors(world: World, place: str, rows: dict[str, int]) -> dict[Oid, Typed]:
    """ENTITY-SENSOR rows: input volts and board temperature, and five sensors in each optic."""
    state, found = world.places[place], dict[Oid, Typed]()
    _entity(found, 1, 0, 3, "chassis")
    if any(pole.name == place for pole in world.plan.poles):
        _sensor(found, 10, 1, "DC input voltage", (4, 9, 2, round(state.volts * 100)))
    _sensor(found, 11, 1, "board temperature", (8, 9, 1, round(state.board_c * 10)))
    for port, row in rows.items():
        levels = world.optic(place, port)
        if levels is None:
            continue
        base = 1000 + 100 * (row - world.places[place].renumbered)
        _entity(found, base, 1, 9, f"optic {port}")
        found[*_ENT, 11, base] = ("octets", world.serial(place, port).encode())
        _entity(found, base + 1, base, 10, f"port {port}")
        found[*_ALIAS, base + 1, 0] = ("oid", (*_IF, 1, row))
        sensors = (
            ("temperature", 8, 9, 1, levels["optic_c"] * 10),
            ("supply voltage", 4, 9, 4, levels["optic_volts"] * 10_000),
            ("TX bias current", 5, 8, 3, levels["bias_milliamperes"] * 1000),
            ("TX power", 6, 7, 1, dbm_to_mw(levels["tx_dbm"]) * 10_000),
            ("RX power", 6, 7, 1, dbm_to_mw(levels["rx_dbm"]) * 10_000),
        )
        for i, (words, kind, scale, precision, value) in enumerate(sensors):
            _sensor(found, base + 10 + i, base, f"{port} {words}", (kind, scale, precision, round(value)))
    return found


def _entity(found: dict[Oid, Typed], index: int, inside: int, kind: int, words: str) -> None:
    found[*_ENT, 2, index] = found[*_ENT, 7, index] = ("octets", words.encode())
    found[*_ENT, 4, index] = ("integer", inside)
    found[*_ENT, 5, index] = ("integer", kind)


def _sensor(found: dict[Oid, Typed], index: int, inside: int, words: str, row: tuple[int, int, int, int]) -> None:
    _entity(found, index, inside, 8, words)
    for column, value in enumerate(row, 1):
        found[*_SENSOR, column, index] = ("integer", value)
    found[*_SENSOR, 5, index] = ("integer", 1)


def meter_objects(world: World) -> dict[Oid, Typed]:
    """All objects of the DC meter at the head-end: volts of the supply, milliamperes by channel."""
    found: dict[Oid, Typed] = {(1, 3, 6, 1, 2, 1, 1, 3, 0): ("ticks", int(world.now_s * 100) % 2**32)}
    metered = [s for s in world.plan.supplies if isinstance(s, MainsSupply) and s.volts_sensor]
    if metered:
        found[*_PRIVATE, 20, 1, 0] = ("gauge", round(max(0.0, world.supply_volts[metered[0].name]) * 100))
    for pole, sensor in world.plan.headend.feeder_sensors.items():
        found[*_PRIVATE, 20, 2, 1, 2, int(sensor.channel)] = ("integer", round(world.places[pole].amperes * 1000))
    for supply in metered:
        if supply.volts_sensor and supply.volts_sensor.datasheet == "ups":
            found.update(_ups(world.supply_volts[supply.name]))
    return dict(sorted(found.items()))


def _ups(volts: float) -> Iterator[tuple[Oid, Typed]]:
    """A UPS by RFC 1628: on mains while its supply has volts, and with nothing left when it has not."""
    mains = volts > 0
    yield (*_UPS, 2, 1, 0), ("integer", UpsBatteryStatus.BATTERY_NORMAL if mains else UpsBatteryStatus.BATTERY_DEPLETED)
    yield (*_UPS, 2, 3, 0), ("integer", 90 if mains else 0)
    yield (*_UPS, 2, 4, 0), ("integer", 100 if mains else 0)
    yield (*_UPS, 2, 5, 0), ("integer", round(max(0.0, volts) * 10))
    yield (*_UPS, 2, 7, 0), ("integer", 24)
    yield (*_UPS, 3, 3, 1, 3, 1), ("integer", 230 if mains else 0)
    yield (*_UPS, 4, 1, 0), ("integer", UpsOutputSource.NORMAL if mains else UpsOutputSource.NONE)
