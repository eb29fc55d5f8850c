"""What the last audits have seen, place by place and port by port, for the page."""

from collections.abc import Iterable, Mapping

from monitor.daemon.memory import Memory
from monitor.devices.found import Device, Difference, Found, compare, devices
from monitor.facts import resources
from monitor.facts.words import say
from monitor.show.ports import PlaceSeen, PortSeen


def seen(memory: Memory) -> tuple[PlaceSeen, ...]:
    """Every place of the plan; those that were not read yet say so."""
    plan, found = memory.plan, Found(memory.found)
    beside: dict[str, list[str]] = {}
    for one in compare(plan, found, frozenset(memory.known)):
        beside.setdefault(one.resource, []).append(_words(one))
    all_found = devices(plan, found)
    return tuple(_place(memory, place, all_found, beside) for place in memory.design.places)


def _words(one: Difference) -> str:
    return one.words


def _place(memory: Memory, place: str, all_found: Iterable[Device], beside: Mapping[str, list[str]]) -> PlaceSeen:
    switch = memory.found.get(place)
    pole = next((one for one in memory.plan.poles if one.name == place), None)
    here = [one for one in all_found if one.place == place]
    loads = {load.port: load for load in pole.loads} if pole else {}
    rows = []
    for port in sorted({one.port for one in here} | set(loads), key=lambda name: (len(name), name)):
        load = loads.get(port)
        wrong = [*beside.get(resources.port(place, port), ())]
        wrong += beside.get(resources.load(place, load.name), ()) if load is not None else ()
        who = ", ".join(f"{one.mac} {' '.join(one.addresses)}".strip() for one in here if one.port == port)
        planned = load.name if load is not None else say("not in the plan")
        nothing = say("nothing seen") if place in memory.audited else say("not read yet")
        rows.append(PortSeen(port, planned, who or nothing, tuple(wrong)))
    heard = ", ".join(dict.fromkeys(n.name or n.chassis for n in switch.neighbours)) if switch else ""
    at_s = memory.audited.get(place)
    return PlaceSeen(place, at_s, heard, tuple(rows), tuple(beside.get(resources.switch(place), ())))
