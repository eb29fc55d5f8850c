"""How good is the diagnosis on the simulated site, whose physics knows nothing of the table? Sudden faults, one a case.

Each case: half a day of health, then a fault at a pole, asked by the minute until something is said, and 40 minutes
more.
What counts is the cause at the end of that, as ``farpole why`` would tell it: of what stands, or of what is over.
"""

import asyncio
import logging
import random
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

from monitor.alarms.book import concerns
from monitor.alarms.cause import Cause
from monitor.alarms.faults import FAULTS as TABLE
from monitor.daemon.files import load_plan, shipped
from monitor.simulation.campaign import START_S, places_for
from monitor.simulation.faults import FAULTS, Fault
from tests.bench.judgement_cause import wilson
from tests.whole.fast import FastFarm

SLOW = {name for name, kind in FAULTS.items() if kind.ramp_s}
NOT_HERE = {"internet-out", "agent-slow", "ports-renumbered", "strange-device", "camera-clock"}
"""What the stand-ins of the fast gait do not carry."""
AFTER_VISIT = {"wrong-optic", "reverse-polarity"}
"""What only hands can do, and somebody has noted that he was there."""
WAIT_H = 72
"""How long a fault may wait for its weather or its night."""
SAME_NUMBER = {"feeder-short": 35}
HEALTH_S, AFTER_S = 43_200.0, 2400.0


@dataclass(frozen=True)
class Said:
    """One case: what was broken, what was said; empty where nothing was noticed."""

    fault: str
    number: int
    ranked: tuple[tuple[int, float], ...]
    after_s: float


def sudden() -> list[str]:
    """Faults of the simulated site that show at once or in their weather."""
    return [name for name in FAULTS if name not in SLOW | NOT_HERE]


def one(seed: int, fault: str) -> Said:
    """Play one case."""
    return asyncio.run(_one(seed, fault))


async def _one(seed: int, fault: str) -> Said:
    logging.disable(logging.WARNING)
    chance = random.Random(f"site {seed} {fault}")  # physics, not secrets
    plan, sheets = load_plan(shipped() / "tarrow-downs.yaml")
    pole = chance.choice(places_for(fault, plan))
    start_s = START_S + chance.randrange(360) * 86_400.0 + chance.randrange(86_400)
    farm = FastFarm(plan, sheets, seed, start_s)
    at_s = start_s
    while at_s < start_s + HEALTH_S:
        at_s += 600
        await farm.at(at_s)
    onset_s = at_s + chance.uniform(5, 55)
    farm.world.faults = [Fault(fault, pole, onset_s, severity=chance.uniform(0.7, 1.2))]
    if fault in AFTER_VISIT:
        farm.memory.visits[pole] = onset_s - 1800
    known, noticed_s = len(farm.kept.changes), None
    while at_s < onset_s + WAIT_H * 3600:
        at_s += 60 if at_s < onset_s + 7200 else 600
        await farm.at(at_s)
        if noticed_s is None and any(c.what.startswith("raised") for c in farm.kept.changes[known:]):
            noticed_s = at_s
        if noticed_s is not None and at_s >= noticed_s + AFTER_S:
            break
    number = SAME_NUMBER.get(fault, FAULTS[fault].number)
    if noticed_s is None:
        return Said(fault, number, (), float("inf"))
    explained = farm.memory.explained
    root = explained.because.get(pole, pole)
    cause = _told(farm, root)
    sums: dict[int, float] = defaultdict(float)
    for suspect in cause.suspects:
        sums[TABLE[suspect.fault].number] += suspect.percent
    ranked = sorted(sums.items(), key=lambda pair: -pair[1])
    return Said(fault, number, tuple(ranked), noticed_s - onset_s)


def _told(farm: FastFarm, root: str) -> Cause:
    """The cause of what stands at a place; where nothing does, of what was over last."""
    past = [(a.changed_s, a.cause) for a in farm.memory.book.alarms.values() if a.cleared and concerns(a, root)]
    causes = [cause for _, cause in sorted(past, key=lambda pair: -pair[0]) if cause is not None]
    stands = any(concerns(alarm, root) for alarm in farm.memory.book.raised())
    return farm.rounds.why(root) if stands or not causes else causes[0]


def _play(task: tuple[int, str]) -> Said:
    return one(*task)


def measure(seeds: range) -> dict[str, Any]:
    """Figures over every sudden fault with each seed."""
    tasks = [(seed, fault) for seed in seeds for fault in sudden()]
    with ProcessPoolExecutor(2) as pool:
        said = list(pool.map(_play, tasks, chunksize=4))
    seen = [one for one in said if one.ranked]
    top1 = [float(one.ranked[0][0] == one.number) for one in seen]
    top3 = [float(one.number in [n for n, _ in one.ranked[:3]]) for one in seen]
    by: dict[str, list[str]] = defaultdict(list)
    for case in said:
        by[case.fault].append(str(case.ranked[0][0]) if case.ranked else "-")
    return {
        "cases": len(said),
        "noticed_percent": round(100 * len(seen) / len(said), 1),
        "top1": {"percent": round(100 * sum(top1) / len(top1), 1), "n": len(top1), "interval": wilson(top1)},
        "top3": {"percent": round(100 * sum(top3) / len(top3), 1), "interval": wilson(top3)},
        "said": {
            f"{fault} ({SAME_NUMBER.get(fault, FAULTS[fault].number)})": " ".join(some) for fault, some in by.items()
        },
    }
