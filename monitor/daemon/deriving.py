"""What follows from readings that have come: rates of counters, the loop of a feeder, the broken layer of a load."""

import math
from collections.abc import Callable

from monitor.alarms import sudden
from monitor.alarms.book import Change, Condition, Key
from monitor.alarms.gather import Subject, at_load, at_pole
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.layers import FRESH_ROUNDS, first_broken, layers_of
from monitor.alarms.shelves import seasonal, shelve
from monitor.alarms.silence import GRACE_S, Sight, Watch
from monitor.daemon.memory import Memory
from monitor.devices.ask.snmp import Answer, Outcome
from monitor.devices.questions import Device
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.facts.words import say
from monitor.margins.loop import STEP_WITHIN_S, Loop, from_level, from_step

LEARNT_FRESH_S = 300.0
"""How long a switch keeps an address that has fallen silent: IEEE 802.1D-2004 table 7-5, recommended ageing time."""


def rates(memory: Memory, device: Device, before: Round | None, readings: Round) -> list[Round]:
    """What the counters have counted a second since the last round."""
    uptime = memory.latest.last_seen(Slot(resources.switch(device.place), "uptime_seconds"))
    made = memory.rates.round(before, readings, uptime[1] - uptime[0] if uptime else None)
    return [] if made is None else [made]


def feeder_rounds(memory: Memory, place: str, readings: Round) -> list[Round]:
    """The loop resistance of a pole's feeder, as readings of their own: from the level, and from a step of the load."""
    topology = memory.design.topology
    volts = readings.get(Slot(resources.switch(place), "input_volts"))
    if volts is None or place not in topology.supply or topology.feeder_head(place) != place:
        return []
    since_s = readings.at_s - 2 * memory.plan.rounds.reach_s
    supply = memory.latest.value(Slot(resources.supply(topology.supply[place]), "supply_volts"), since_s)
    amperes = memory.latest.value(Slot(resources.feeder(place), "feeder_amperes"), since_s)
    if amperes is None:
        return []
    before = memory.feeders.get(place)
    memory.feeders[place] = (readings.at_s, volts, amperes)
    level = from_level(supply, volts, amperes) if supply is not None else None
    recent = before is not None and readings.at_s - before[0] <= STEP_WITHIN_S
    step = from_step(before[1:], (volts, amperes)) if before is not None and recent else None
    found = (("loop", level), ("step", step))
    return [_loop_round(memory, place, name, loop, readings.at_s) for name, loop in found if loop is not None]


def _loop_round(memory: Memory, place: str, name: str, loop: Loop, at_s: float) -> Round:
    resource = resources.feeder(place)
    newest = memory.latest.newest(resource, name)
    slots = (Slot(resource, f"{name}_ohms"), Slot(resource, f"{name}_error_ohms"))
    made = Round.blank(newest.layout if newest else Layout(resource, name, slots), at_s, State.SILENT)
    made.put(0, loop.ohms)
    made.put(1, loop.error_ohms)
    return made


def layer_of(memory: Memory, sight: Sight) -> Callable[[str], str]:
    """Of a silent load at a place: its first broken layer."""
    loads = {load.name: load for load in memory.plan.pole(sight.place).loads} if sight.loads else {}
    since_s = sight.at_s - FRESH_ROUNDS * memory.plan.rounds.measure_s

    def told(name: str) -> str:
        load = loads[name]
        station = _learnt(memory, sight.place, load.port, sight.at_s)
        return first_broken(load.port, layers_of(memory.latest, sight.place, load, since_s, station)).words

    return told


def _learnt(memory: Memory, place: str, port: str, now_s: float) -> bool | None:
    """Has the switch an address behind a port? None where that is not known of the last minutes, or it learns none."""
    at_s, ports = memory.stations.get(place, (-math.inf, frozenset[str]()))
    return port in ports if ports and now_s - at_s <= LEARNT_FRESH_S else None


def is_starting(watch: Watch | None, now_s: float) -> bool:
    """Has a place come back so lately that what hangs on it may still be starting?"""
    return watch is not None and (watch.back_since_s is None or now_s - watch.back_since_s < GRACE_S)


def sudden_at(memory: Memory, place: str, now_s: float) -> list[Condition]:
    """What has just changed at a pole that answers, and had time to start."""
    watch = memory.watches.get(place)
    pole = next((pole for pole in memory.plan.poles if pole.name == place), None)
    if pole is None or watch is None or watch.doubtful or is_starting(watch, now_s):
        return []
    found = list(sudden.of_pole(pole, memory.plan, at_pole(memory, place, now_s)))
    for load in pole.loads:
        found += sudden.of_load(place, load, at_load(memory, place, load, now_s))
    return found


def subject_of(memory: Memory, key: Key) -> Subject | None:
    """What an alarm is about; None where no cause is looked for, or it is about no place of the plan."""
    kind, resource = INVENTORY[key.type], key.resource
    whole = Subject(resource, None, kind.scope(""))
    if whole.of_silence:
        return whole  # the root itself: a pole, a supply or the head-end
    place, load = _at(memory, resource)
    signs = kind.scope(key.qualifier, _what(resource, load))
    if not signs or not place:
        return None
    drifts = key.qualifier in kind.shown_by
    return Subject(place, load, signs, Slot(resource, key.qualifier) if drifts else None)


def _what(resource: str, load: str | None) -> str:
    if load is not None:
        return "load"
    return "supply" if resource.startswith("supply/") else ""


def _at(memory: Memory, resource: str) -> tuple[str, str | None]:
    """The pole that an alarm's resource is about, and the load; empty where it is about no pole."""
    place = memory.lit_by.get(resource) or resources.place_of(resource)
    if place.startswith("supply/"):
        place = next((pole.name for pole in memory.plan.poles if f"supply/{pole.supply}" == place), "")
    if place not in memory.topology.above:
        return "", None
    tail = resources.tail_of(resource)
    for load in memory.plan.pole(place).loads:
        if ("/load/" in resource and load.name == tail) or ("/port/" in resource and load.port == tail):
            return place, load.name
    return place, None


def of_meter(device: Device, answer: Answer) -> list[Condition]:
    """What the answer of a meter at the head-end says of the meter itself."""
    silent, refused = answer.outcome is Outcome.SILENT, answer.outcome is Outcome.REFUSED
    return [
        Condition(
            Key(device.name, "agent-silent"),
            INVENTORY["agent-silent"].severity if silent else None,
            say("the meter does not answer: feeder current and supply volts are not known"),
        ),
        Condition(
            Key(device.name, "credentials-refused"),
            INVENTORY["credentials-refused"].severity if refused else None,
            answer.detail,
        ),
    ]


def shelved(memory: Memory, now_s: float) -> list[Change]:
    """Put alarms on the shelves of people and of the season, and take down those whose shelf has ended."""
    shelves = [*memory.shelves, *seasonal(memory.plan, now_s, memory.design.zone)]
    memory.book, changes = shelve(memory.book, shelves, now_s)
    return changes


def links(readings: Round) -> list[float]:
    """The link states in a round."""
    return [
        readings.values[i]
        for i, slot in enumerate(readings.layout.slots)
        if slot.quantity == "link_state" and readings.states[i] == State.SEEN
    ]
