"""One look at a pole from all sides, beside the usual rounds: not kept, not judged."""

import asyncio

from monitor.daemon.rounds import Rounds
from monitor.devices.questions import MEASURE, REACH, Device
from monitor.facts import resources
from monitor.facts.readings import Reading, Round, Slot
from monitor.margins.kinds import ends_of

OF_OPTIC = ("rx_dbm", "tx_dbm", "optic_c")


def slots_of(rounds: Rounds, name: str) -> list[Slot]:
    """What is looked at: both ends' light, volts, watts, what each port of a load says, the feeder and its supply."""
    plan, topology = rounds.memory.plan, rounds.memory.topology
    pole = plan.pole(name)
    optics = ends_of(pole, plan)[::-1] if pole.fibre is not None else ()
    found = [Slot(optic, quantity) for optic in optics for quantity in OF_OPTIC]
    switch = resources.switch(name)
    found += [Slot(switch, "input_volts"), Slot(switch, "poe_total_watts")]
    ports = [load.port for load in pole.loads] + ([pole.fibre.end.port] if pole.fibre is not None else [])
    for port in dict.fromkeys(ports):
        found += [Slot(resources.port(name, port), quantity) for quantity in ("link_state", "port_watts")]
    supply = resources.supply(topology.supply[name])
    return [*found, Slot(resources.feeder(name), "feeder_amperes"), Slot(supply, "supply_volts")]


async def look(rounds: Rounds, name: str) -> dict[Slot, Reading]:
    """What a pole, the switch before it and the meters say now."""
    wanted = slots_of(rounds, name)
    answers = await asyncio.gather(*(_ask(rounds, device) for device in _devices(rounds, name)))
    seen = {slot: one.reading(i) for some in answers for one in some for i, slot in enumerate(one.layout.slots)}
    return {slot: seen[slot] for slot in wanted if slot in seen}


async def _ask(rounds: Rounds, device: Device) -> list[Round]:
    scripts = rounds.memory.scripts.get(device.name, {})
    tiers = [tier for tier in (REACH, MEASURE) if tier in scripts]
    return [(await rounds.asking.round(device, scripts[tier]))[0] for tier in tiers]


def _devices(rounds: Rounds, pole: str) -> list[Device]:
    design = rounds.memory.design
    above = resources.place_of(design.topology.uplink.get(pole, ""))
    places = [pole, *([above] if above else [])]
    return [design.switch_of(place) for place in places] + list(design.meters)
