"""What the simulated agents serve: the world's state as objects of the standard tables and private columns."""

from collections.abc import Iterator

from monitor.facts.units import dbm_to_mw
from monitor.plan.parts import MainsSupply, Pole
from monitor.simulation.world import PortCounters, World

Oid = tuple[int, ...]
Typed = tuple[str, int | bytes | Oid]
"""SNMP type name (integer, octets, oid, counter32, counter64, gauge, ticks) and value."""

_IF, _IFX = (1, 3, 6, 1, 2, 1, 2, 2, 1), (1, 3, 6, 1, 2, 1, 31, 1, 1, 1)
_DOT3 = (1, 3, 6, 1, 2, 1, 10, 7, 2, 1)
_POE, _ENT = (1, 3, 6, 1, 2, 1, 105, 1), (1, 3, 6, 1, 2, 1, 47, 1, 1, 1, 1)
_ALIAS, _SENSOR = (1, 3, 6, 1, 2, 1, 47, 1, 3, 2, 1, 2), (1, 3, 6, 1, 2, 1, 99, 1, 1, 1)
_PRIVATE = (1, 3, 6, 1, 4, 1, 32473)


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
    found[1, 3, 6, 1, 2, 1, 31, 1, 5, 0] = ("ticks", 0)
    found[1, 3, 6, 1, 2, 1, 17, 2, 4, 0] = ("counter32", 0)
    ports = _ports(world, place)
    for row, port in enumerate(ports, 1):
        found.update(_interface(world, place, port, row, "port" if pole else ""))
    if pole:
        found.update(_poe(world, pole))
    found.update(_sensors(world, place, ports))
    return dict(sorted(found.items()))


def _ports(world: World, place: str) -> list[str]:
    used: list[str] = []
    for pole in world.plan.poles:
        if pole.fibre and (pole.fibre.start.pole or world.plan.headend.name) == place:
            used.append(pole.fibre.start.port)
        if pole.name == place:
            used += [load.port for load in pole.loads] + ([pole.fibre.end.port] if pole.fibre else [])
    return sorted(set(used), key=lambda name: (len(name), name))


def _interface(world: World, place: str, port: str, row: int, prefix: str) -> dict[Oid, Typed]:
    up = world.link_up(place, port)
    counted = world.places[place].counters.get(port, PortCounters())
    name = f"{prefix}{port}".encode()
    speed = 1000 if world.optic(place, port) else 100
    values: tuple[tuple[Oid, Typed], ...] = (
        ((*_IF, 1), ("integer", row)),
        ((*_IF, 2), ("octets", name)),
        ((*_IF, 3), ("integer", 6)),
        ((*_IF, 5), ("gauge", speed * 10**6)),
        ((*_IF, 7), ("integer", 1)),
        ((*_IF, 8), ("integer", 1 if up else 2)),
        ((*_IF, 13), ("counter32", 0)),
        ((*_IF, 14), ("counter32", int(counted.in_errors) % 2**32)),
        ((*_IF, 19), ("counter32", 0)),
        ((*_IF, 20), ("counter32", 0)),
        ((*_DOT3, 3), ("counter32", int(counted.in_errors) % 2**32)),
        ((*_DOT3, 8), ("counter32", 0)),
        ((*_DOT3, 19), ("integer", 3)),
        ((*_IFX, 1), ("octets", name)),
        ((*_IFX, 6), ("counter64", int(counted.in_octets))),
        ((*_IFX, 10), ("counter64", int(counted.out_octets))),
        ((*_IFX, 3), ("counter32", 0)),
        ((*_IFX, 15), ("gauge", speed if up else 0)),
        ((*_IFX, 19), ("ticks", 0)),
    )
    return {(*column, row): typed for column, typed in values}


def _poe(world: World, pole: Pole) -> Iterator[tuple[Oid, Typed]]:
    state = world.places[pole.name]
    model = 5 if pole.switch.datasheet.endswith("5") else 8
    for load in pole.loads:
        number, watts = int(load.port), state.port_watts.get(load.port, 0.0)
        column = (*_POE, 1, 1)
        yield (*column, 3, 1, number), ("integer", 1)
        yield (*column, 6, 1, number), ("integer", 3 if watts else 2)
        yield (*column, 10, 1, number), ("integer", load.poe_class + 1)
        for counter in (8, 11, 12, 13, 14):
            yield (*column, counter, 1, number), ("counter32", 0)
        yield ((*_PRIVATE, model, 1, 1, 2, number), ("gauge", round(watts * (10 if model == 5 else 1000))))
    yield (*_POE, 3, 1, 1, 2, 1), ("gauge", round(pole.switch.poe_budget_watts))
    yield (*_POE, 3, 1, 1, 4, 1), ("gauge", round(sum(state.port_watts.values())))


def _sensors(world: World, place: str, ports: list[str]) -> dict[Oid, Typed]:
    """ENTITY-SENSOR rows: input volts and board temperature, and five sensors in each optic."""
    state, found = world.places[place], dict[Oid, Typed]()
    _entity(found, 1, 0, 3, "chassis")
    if any(pole.name == place for pole in world.plan.poles):
        _sensor(found, 10, 1, "DC input voltage", (4, 9, 2, round(state.volts * 100)))
    _sensor(found, 11, 1, "board temperature", (8, 9, 1, round(state.board_c * 10)))
    for row, port in enumerate(ports, 1):
        levels = world.optic(place, port)
        if levels is None:
            continue
        base = 1000 + 100 * row
        _entity(found, base, 1, 9, f"optic {port}")
        _entity(found, base + 1, base, 10, f"port {port}")
        found[*_ALIAS, base + 1, 0] = ("oid", (*_IF, 1, row))
        rows = (
            ("temperature", 8, 9, 1, levels["optic_c"] * 10),
            ("supply voltage", 4, 9, 2, 330),
            ("TX bias current", 5, 8, 2, levels["bias_milliamperes"] * 100),
            ("TX power", 6, 7, 1, dbm_to_mw(levels["tx_dbm"]) * 10_000),
            ("RX power", 6, 7, 1, dbm_to_mw(levels["rx_dbm"]) * 10_000),
        )
        for i, (words, kind, scale, precision, value) in enumerate(rows):
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
        found[*_PRIVATE, 20, 1, 0] = ("gauge", round(world.supply_volts[metered[0].name] * 100))
    for pole, sensor in world.plan.headend.feeder_sensors.items():
        found[*_PRIVATE, 20, 2, 1, 2, int(sensor.channel)] = ("integer", round(world.places[pole].amperes * 1000))
    return dict(sorted(found.items()))
