"""Two-year series from the simulated site for the bench of judgement: healthy ones, and such that wear, with truth.

Every series is what an instrument of the site would have said, by the three hours; what was broken, when and how fast
is drawn from the seed. ``python -m tests.bench.judgement_series tuning|testing`` writes them once into a folder.
"""

import copy
import pickle
import random
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.budgets.autonomy import warmed
from monitor.daemon.design import Design
from monitor.daemon.files import load_plan, shipped
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.margins.features import Features, daily
from monitor.margins.kinds import Watched, watched
from monitor.margins.night import Night
from monitor.plan.datasheets import BatterySheet
from monitor.plan.parts import Plan, SolarSupply
from monitor.simulation.campaign import START_S, widened
from monitor.simulation.columns import Columns
from monitor.simulation.faults import Fault, Visit
from monitor.simulation.world import World

DAY_S, STEP_S = 86_400.0, 10_800.0
DAYS = 730
SEEDS = {"tuning": range(100, 118), "testing": range(500, 540)}
SOLAR_POLES = 6
HEALTHY = 0.4
SLOW = {"rx_dbm": "connector-creep", "bias_milliamperes": "laser-ageing", "loop_ohms": "joint-creep"}
REACHES = {"connector-creep": 1.33, "joint-creep": 4.3}
"""What makes a fault of full size use up about the margin that this site has."""
STEPS = ("dirty-connector", "fibre-bend", "corroded-joint")


@dataclass
class Series:
    """One series with its truth; days count from the series' first."""

    kind: str
    features: Features
    limit: float | None
    fault: str
    """Empty: healthy."""
    onset_day: int
    repairs: tuple[int, ...]
    true_used: NDArray[np.float64]
    """Share of the margin that the fault itself truly used, by day; what noise did is not in it."""

    @property
    def end_day(self) -> int | None:
        """The day on which the margin is truly used up."""
        past = np.flatnonzero(self.true_used >= 1.0)
        return int(past[0]) if len(past) else None


def fed() -> Plan:
    """Twelve poles, all but one fed from the head-end."""
    return widened(load_plan(shipped() / "tarrow-downs.yaml")[0], 12)


def solar() -> Plan:
    """Six poles with panels of their own, and what they are reached through."""
    data = load_plan(shipped() / "tarrow-downs.yaml")[0].model_dump(mode="json", by_alias=True, exclude_none=True)
    pole = next(pole for pole in data["poles"] if pole.get("supply"))
    supply = next(one for one in data["supplies"] if one["name"] == pole["supply"])
    supply["battery"]["amp_hours"] *= 0.6  # the simulated battery never falls below a quarter: its end must lie above
    for i in range(SOLAR_POLES - 1):
        more, bank = copy.deepcopy(pole), copy.deepcopy(supply)
        more["name"], bank["name"] = f"{pole['name']}-s{i}", f"{supply['name']}-s{i}"
        more["supply"] = bank["name"]
        for load in more["loads"]:
            load["name"] = f"{load['name']}-s{i}"
        data["poles"].append(more)
        data["supplies"].append(bank)
    return Plan.model_validate(data)


def _drawn(plan: Plan, chance: random.Random) -> tuple[list[Fault], list[Visit]]:
    """At most one thing that wears at each pole, some of it repaired; and steps."""
    faults, visits = [], []
    for pole in plan.poles:
        if chance.random() < HEALTHY:
            continue
        kinds = (
            [name for name in SLOW.values() if pole.fibre or name == "joint-creep"] if pole.feeder else ["battery-aged"]
        )
        step = pole.fibre is not None and chance.random() < 0.2
        name = (
            chance.choice([s for s in STEPS if pole.feeder or s != "corroded-joint"]) if step else chance.choice(kinds)
        )
        onset_s = START_S + chance.uniform(60, 480) * DAY_S
        curve = chance.choice((chance.uniform(0.7, 1.3), chance.uniform(1.3, 3.0)))
        # A wear does not stop where a margin ends: it goes on, three times as long as it takes to use that up.
        ramp_s = 3 * chance.uniform(90, 900) * DAY_S
        severity = chance.uniform(0.25, 0.6) if step else REACHES.get(name, 1.0) * 3**curve
        faults.append(Fault(name, pole.name, onset_s, severity=severity, ramp_s=0.0 if step else ramp_s, curve=curve))
        if chance.random() < 0.2:
            at_s = onset_s + chance.uniform(0.3, 0.9) * (ramp_s / 3 if not step else 100 * DAY_S)
            visits.append(Visit(at_s, pole.name, "repaired", repairs=(name,), new_optic=name == "laser-ageing"))
    return faults, visits


def one_site(seed: int) -> list[Series]:
    """All series of one site over two years: feeders and light by the three hours, batteries by the hour."""
    light = [one for one in _played(fed(), seed, STEP_S) if one.kind != "held_watt_hours"]
    return light + [one for one in _played(solar(), seed + 1_000_000, 3600.0) if one.kind == "held_watt_hours"]


def _played(plan: Plan, seed: int, step_s: float) -> list[Series]:
    chance = random.Random(f"series {seed}")  # physics, not secrets
    _, sheets = load_plan(shipped() / "tarrow-downs.yaml")
    design = Design.of(plan, sheets)
    world = World(plan, seed, START_S)
    world.faults, visits = _drawn(plan, chance)
    drawn = list(world.faults)
    columns = Columns(world)
    banks = [one for one in plan.supplies if isinstance(one, SolarSupply)]
    nights = {one.name: Night(one.battery.volts * one.battery.amp_hours) for one in banks}
    held = {one.name: sheets.batteries[one.battery.chemistry] for one in banks}
    wanted = watched(design.plan, design.budget)
    slots = sorted({*wanted, *(w.temperature for w in wanted.values() if w.temperature)})
    rows: list[list[float]] = []
    times: list[float] = []
    at_s = START_S
    while at_s < START_S + DAYS * DAY_S:
        for visit in [v for v in visits if v.at_s <= at_s]:
            visits.remove(visit)
            world.visited(visit)
        world.step(at_s)
        seen = {
            s: v
            for one in columns.rounds()
            for s, v, state in zip(one.layout.slots, one.values, one.states, strict=True)
            if not state
        }
        seen |= _loops(plan, seen) | _nights(nights, held, seen, at_s)
        rows.append([seen.get(slot, float("nan")) for slot in slots])
        times.append(at_s)
        at_s += step_s
    table = np.array(rows)
    column = {slot: table[:, i] for i, slot in enumerate(slots)}
    return list(_series(wanted, column, np.array(times), drawn, world.faults, chance))


def _loops(plan: Plan, seen: dict[Slot, float]) -> dict[Slot, float]:
    """The loop of each feeder from volts and amperes, as the daemon derives it."""
    found = {}
    for pole in plan.poles:
        if pole.feeder is None or pole.feeder.supply is None:
            continue
        supply = seen.get(Slot(resources.supply(pole.feeder.supply), "supply_volts"))
        volts = seen.get(Slot(resources.switch(pole.name), "input_volts"))
        amperes = seen.get(Slot(resources.feeder(pole.name), "feeder_amperes"))
        if supply is not None and volts is not None and amperes is not None and amperes > 0.2:
            found[Slot(resources.feeder(pole.name), "loop_ohms")] = (supply - volts) / amperes
    return found


def _nights(
    nights: dict[str, Night], sheets: dict[str, BatterySheet], seen: dict[Slot, float], at_s: float
) -> dict[Slot, float]:
    """What each battery holds, by the night that has just ended."""
    found = {}
    for supply, night in nights.items():
        at = resources.supply(supply)
        load, panel, percent, c = (
            seen.get(Slot(at, q)) for q in ("load_watts", "panel_watts", "battery_percent", "battery_c")
        )
        wh = night.step(at_s, percent, None if load is None or panel is None else load - panel)
        if wh is not None and c is not None:
            found[Slot(at, "held_watt_hours")] = wh / warmed(sheets[supply], c)
    return found


def _series(
    wanted: dict[Slot, Watched],
    column: dict[Slot, NDArray[np.float64]],
    times: NDArray[np.float64],
    drawn: list[Fault],
    now: list[Fault],
    chance: random.Random,
) -> Iterator[Series]:
    for slot, one in wanted.items():
        if slot not in column or not np.isfinite(column[slot]).any():
            continue
        values = column[slot].copy()
        for _ in range(chance.randrange(3)):  # gaps of some days, as when the box was off
            start = chance.randrange(len(values))
            values[start : start + chance.randrange(8, 120)] = np.nan
        warmth = column.get(one.temperature) if one.temperature else None
        features = daily(times, values, warmth)
        place = resources.place_of(slot.resource).removeprefix("supply/")
        fault = next((f for f in now if _acts(f, slot, place, one, drawn)), None)
        if len(features) < 60:
            continue
        base = float(np.nanmedian(features.midmean[:28]))
        limit = 1.5 * base if one.limit is None else one.limit
        true = _true_used(slot, fault, base, limit, one, times)
        repairs = () if fault is None or fault.end_s == float("inf") else (int((fault.end_s - START_S) // DAY_S),)
        onset = int((fault.start_s - START_S) // DAY_S) if fault is not None else -1
        yield Series(
            slot.quantity, features, one.limit, fault.name if fault and true.any() else "", onset, repairs, true
        )


def _acts(fault: Fault, slot: Slot, place: str, one: Watched, drawn: list[Fault]) -> bool:
    """Does a fault show in this series?"""
    on_light = fault.name in ("connector-creep", "dirty-connector", "fibre-bend", "laser-ageing")
    if slot.quantity == "rx_dbm":
        return on_light and fault.pole == one.pole
    if slot.quantity == "bias_milliamperes":
        return fault.name == "laser-ageing" and fault.pole == one.pole and slot.resource.startswith(fault.pole + "/")
    if slot.quantity == "loop_ohms":
        return fault.name in ("joint-creep", "corroded-joint") and fault.pole == place
    return fault.name == "battery-aged" and fault.pole == one.pole


def _true_used(
    slot: Slot, fault: Fault | None, base: float, limit: float, one: Watched, times: NDArray[np.float64]
) -> NDArray[np.float64]:
    """What the fault itself does to the series, as a share of its margin; from the physics, without noise."""
    noons = START_S + (np.arange(DAYS) + 0.5) * DAY_S
    if fault is None:
        return np.zeros(DAYS)
    level = np.array([fault.level(at) for at in noons])
    margin = abs(limit - base)
    if slot.quantity == "rx_dbm":
        if fault.name == "laser-ageing":
            inward = not slot.resource.startswith(fault.pole + "/")
            lost = 6.0 * np.clip(np.minimum(level, 1.0) - 0.67, 0, None) / 0.33 * inward
        elif fault.name == "fibre-bend":
            lost = 2.2 * level * (1.7 if "bx10" in one.note else 1.0)
        else:  # of two fibres only the one inward is dirty
            duplex = "bx10" not in one.note and slot.resource.startswith(fault.pole + "/")
            lost = 9.0 * level * (not duplex)
        return np.asarray(lost / margin)
    if slot.quantity == "bias_milliamperes":
        aged = np.minimum(level, 1.0)
        return np.asarray((0.5 * np.minimum(aged, 0.67) / 0.67 + 0.4 * aged**4) * base / margin)
    if slot.quantity == "loop_ohms":
        return np.asarray(3.0 * level * 1.05 / margin)
    return np.asarray(0.75 * np.minimum(level, 1.0) * base / margin)


def load(kind: str, folder: Path) -> list[Series]:
    """All series of ``tuning`` or ``testing``, made once and kept in a folder."""
    file = folder / f"{kind}.pickle"
    if not file.exists():
        folder.mkdir(parents=True, exist_ok=True)
        with ProcessPoolExecutor(2) as pool:
            found = [series for some in pool.map(one_site, SEEDS[kind]) for series in some]
        file.write_bytes(pickle.dumps(found))
    kept: list[Series] = pickle.loads(file.read_bytes())  # our own file, written a moment ago
    return kept


if __name__ == "__main__":
    print(len(load(sys.argv[1], Path(sys.argv[2]))))  # a bench says its figures
