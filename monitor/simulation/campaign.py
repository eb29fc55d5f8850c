"""Labelled cases: which fault, where, since when, on which site; each drawn from a seed and nothing else."""

import copy
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.facts.readings import Round
from monitor.plan.parts import Plan, Pole
from monitor.simulation.columns import Columns, moments
from monitor.simulation.faults import FAULTS, Fault
from monitor.simulation.world import World

DAY_S = 86_400.0
SUDDEN_DAYS, SLOW_DAYS = 45, 400
START_S = 1_767_225_600.0
"""2026-01-01: cases lie in the two years from there."""
TWO_AT_ONCE, HEALTHY, REPAIRED = 0.25, 0.1, 0.4
"""Shares of the cases with two faults, with none, and of faults that somebody ends before the case does."""
_SOLAR = {"panel-soiled", "grey-weeks", "battery-aged", "charging-stopped", "charge-lock-out"}
_FED = {
    "feeder-short",
    "cable-cut",
    "corroded-joint",
    "joint-creep",
    "ground-fault",
    "supply-ageing",
    "reverse-polarity",
}
_LIT = {
    "fibre-cut",
    "connector-loose",
    "cable-cut",
    "dirty-connector",
    "connector-creep",
    "fibre-bend",
    "ice-bend",
    "optic-hot",
    "laser-ageing",
    "wrong-optic",
}
_NOT_HERE = {"internet-out", "agent-slow", "camera-clock", "ports-renumbered", "strange-device"}
"""What leaves no trace in the readings of a fast gait."""


@dataclass(frozen=True)
class Case:
    """One case: what is wrong, and the stretch of time that is written."""

    number: int
    seed: int
    start_s: float
    end_s: float
    faults: tuple[Fault, ...]


def places_for(fault: str, plan: Plan) -> list[str]:
    """The poles at which a fault can happen."""

    def can(pole: Pole) -> bool:
        solar = pole.feeder is None
        if fault in _SOLAR:
            return solar
        if fault == "supply-lost":
            return not solar
        return not (fault in _FED and solar) and not (fault in _LIT and pole.fibre is None)

    return [pole.name for pole in plan.poles if can(pole)]


def cases(plan: Plan, number: int, seed: int) -> Iterator[Case]:
    """The cases of a campaign; each fault comes about as often as any other."""
    names = [name for name in FAULTS if name not in _NOT_HERE and places_for(name, plan)]
    order: list[str] = []
    for i in range(number):
        chance = random.Random(f"campaign {seed} {i}")  # physics, not secrets
        if not order:
            order = chance.sample(names, len(names))
        drawn = [] if chance.random() < HEALTHY else [order.pop()]
        if drawn and chance.random() < TWO_AT_ONCE:
            drawn.append(chance.choice([name for name in names if name != drawn[0]]))
        slow = any(FAULTS[name].ramp_s for name in drawn) or (not drawn and chance.random() < 0.5)
        days = SLOW_DAYS if slow else SUDDEN_DAYS
        start_s = START_S + chance.randrange(365) * DAY_S
        end_s = start_s + days * DAY_S
        faults = tuple(_drawn(name, plan, chance, start_s, end_s) for name in drawn)
        yield Case(i, chance.randrange(2**31), start_s, end_s, faults)


def _drawn(name: str, plan: Plan, chance: random.Random, start_s: float, end_s: float) -> Fault:
    slow, length_s = FAULTS[name].ramp_s > 0, end_s - start_s
    onset_s = start_s + length_s * (chance.uniform(0.1, 0.5) if slow else chance.uniform(0.45, 0.9))
    until_s = chance.uniform(onset_s + 0.5 * (end_s - onset_s), end_s) if chance.random() < REPAIRED else float("inf")
    if not slow and chance.random() < 0.5:
        until_s = min(until_s, onset_s + chance.uniform(1800, 3 * DAY_S))
    severity = chance.uniform(0.5, 1.2)
    ramp_s = FAULTS[name].ramp_s * chance.uniform(0.5, 1.5) if slow else None
    return Fault(name, chance.choice(places_for(name, plan)), float(int(onset_s)), until_s, severity, ramp_s)


def play(plan: Plan, case: Case) -> Iterator[Sequence[Round]]:
    """The readings of a case: hourly, by the minute around each onset and in the last week."""
    world = World(plan, case.seed, case.start_s)
    world.faults = list(case.faults)
    columns = Columns(world)
    for at_s in moments(case.start_s, case.end_s, [fault.start_s for fault in case.faults]):
        world.step(at_s)
        yield columns.rounds()


def widened(plan: Plan, poles: int) -> Plan:
    """The same site with ``poles`` poles: copies of its fed ones, each with a port and addresses of its own."""
    data = plan.model_dump(mode="json", by_alias=True, exclude_none=True)
    fed = [pole for pole in data["poles"] if pole.get("feeder", {}).get("supply") and pole.get("fibre")]
    for i in range(len(data["poles"]), poles):
        more = _renamed(fed[i % len(fed)], i)
        more["fibre"]["from"] |= {"port": str(20 + i)}
        data["poles"].append(more)
        sensor = {"kind": "snmp", "datasheet": "dc-meter", "channel": str(i + 1)}
        data["headend"].setdefault("feeder_sensors", {})[more["name"]] = sensor
    for supply in data["supplies"]:
        if supply["kind"] == "mains":
            supply["limit_watts"] = max(supply["limit_watts"], 60.0 * poles)
    return Plan.model_validate(data)


def _renamed(pole: dict[str, Any], number: int) -> dict[str, Any]:
    made = copy.deepcopy(pole)
    made["name"] = f"{pole['name']}-{number}"
    made["switch"]["address"] = f"10.20.{64 + number // 60}.{130 + 2 * (number % 60)}"
    for i, load in enumerate(made["loads"]):
        load["name"] = f"{load['name']}-{number}"
        load.pop("mac", None)
        if "address" in load:
            load["address"] = f"10.20.{2 + number // 80}.{10 + 3 * (number % 80) + i}"
    return made
