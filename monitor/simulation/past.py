"""The site's past, fast-forward: the same world stepped by the hour, and by the minute in the last week."""

from collections.abc import Iterator

from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.plan.parts import MainsSupply, Plan
from monitor.simulation.world import World

MONTHS_DAYS, BY_MINUTE_DAYS = 426, 7
HOUR_S, MINUTE_S = 3600.0, 60.0


def moments(until_s: float) -> Iterator[tuple[float, str]]:
    """Times and the tier they belong to: hourly for fourteen months, each minute of the last week."""
    start_s = until_s - MONTHS_DAYS * 86_400
    minutes_from_s = until_s - BY_MINUTE_DAYS * 86_400
    at_s = start_s
    while at_s < until_s:
        yield at_s, "hourly" if at_s < minutes_from_s else "measure"
        at_s += HOUR_S if at_s < minutes_from_s else MINUTE_S


def past(plan: Plan, seed: int, until_s: float) -> Iterator[tuple[float, str, dict[str, dict[Slot, float]]]]:
    """Time, tier, and device → values, oldest first, up to ``until_s`` (UTC seconds)."""
    world: World | None = None
    for at_s, tier in moments(until_s):
        world = world or World(plan, seed, at_s)
        world.step(at_s)
        yield at_s, tier, {f"{place}/switch": _switch(world, place) for place in world.places} | _meter(world)


def _switch(world: World, place: str) -> dict[Slot, float]:
    state, switch = world.places[place], resources.switch(place)
    found = {Slot(switch, "board_c"): round(state.board_c, 1)}
    if any(pole.name == place for pole in world.plan.poles):
        found[Slot(switch, "input_volts")] = round(state.volts, 2)
        found[Slot(switch, "poe_total_watts")] = float(round(sum(state.port_watts.values())))
        found |= {Slot(resources.port(place, port), "port_watts"): round(w, 1) for port, w in state.port_watts.items()}
    for port in world.optic_ports[place]:
        levels = world.optic(place, port) or {}
        optic = resources.optic(place, port)
        found |= {Slot(optic, quantity): value for quantity, value in levels.items() if quantity != "optic_volts"}
    return found


def _meter(world: World) -> dict[str, dict[Slot, float]]:
    found: dict[str, dict[Slot, float]] = {}
    for supply in world.plan.supplies:
        if isinstance(supply, MainsSupply) and supply.volts_sensor and supply.volts_sensor.address:
            slot = Slot(resources.supply(supply.name), "supply_volts")
            found[f"meter/{supply.volts_sensor.address}"] = {slot: world.supply_volts[supply.name]}
    for values in found.values():
        for pole in world.plan.headend.feeder_sensors:
            values[Slot(resources.feeder(pole), "feeder_amperes")] = round(world.places[pole].amperes, 3)
    return found
