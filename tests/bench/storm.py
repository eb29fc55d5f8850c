"""Callouts in a storm and in a quiet year, on the simulated site by the hand clock; one JSON line each.

``python -m tests.bench.storm storm|year [--seed N]``. In the storm the common supply of twelve poles is lost and comes
back, its poles start one after the other, two of them with lightning damage. In the quiet year there is weather, dusk,
switches that restart now and then, gaps of the spanning tree: nothing that anybody should be called for.
"""

import argparse
import asyncio
import json
import logging
import random
import time
from collections import Counter
from typing import Any

from monitor.alarms.callouts import RESTART_S
from monitor.alarms.messages import Message
from monitor.daemon.files import load_plan, shipped
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.simulation.campaign import START_S, widened
from monitor.simulation.faults import Fault
from tests.whole.fast import FastFarm

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86_400.0
ROUND_S = 15.0


def gone(farm: FastFarm) -> list[Message]:
    """The callouts that would have left: those whose alarm neither cleared nor was linked before they might."""
    causes: dict[tuple[str, str], list[tuple[float, str]]] = {}
    for c in farm.kept.changes:
        if c.alarm.cause is not None:
            causes.setdefault((c.alarm.key.resource, c.alarm.key.type), []).append((c.at_s, c.alarm.cause.group))

    def leaves_s(one: Message) -> float:
        """When it leaves: after its hold, or when a switch that most probably restarts has had its time."""
        told = [group for at_s, group in causes.get((one.resource, one.type), ()) if at_s <= one.not_before_s]
        restarts = one.type == "pole-silent" and bool(told) and told[-1] == "switch"
        return max(one.not_before_s, one.happened_s + RESTART_S) if restarts else one.not_before_s

    over = [
        (c.at_s, c.alarm.key.resource, c.alarm.key.type) for c in farm.kept.changes if c.what in ("cleared", "linked")
    ]
    return [
        one
        for one in farm.kept.messages
        if one.kind == "callout"
        and not any(
            one.happened_s <= at_s < leaves_s(one) and (resource, kind) == (one.resource, one.type)
            for at_s, resource, kind in over
        )
    ]


async def healthy(plan: Plan, sheets: Sheets, seed: int, start_s: float) -> FastFarm:
    """A farm that has run for half a day."""
    farm = FastFarm(plan, sheets, seed, start_s)
    for i in range(72):
        await farm.at(start_s + 600 * (i + 1))
    return farm


async def storm(seed: int) -> dict[str, Any]:
    """One storm: a root event for the supply, and one for each pole that stays damaged."""
    base, sheets = load_plan(shipped() / "tarrow-downs.yaml")
    plan, chance = widened(base, 12), random.Random(f"storm {seed}")  # physics, not secrets
    farm = await healthy(plan, sheets, seed, START_S + chance.randrange(300) * DAY_S)
    lost_s = farm.clock.wall_s() + 20
    back_s = lost_s + chance.uniform(300, 1200)
    fed = [pole.name for pole in plan.poles if pole.feeder and pole.fibre]
    struck = chance.sample([p for p in fed if len(plan.pole(p).loads) >= 2], 2)
    faults = [Fault("supply-lost", fed[0], lost_s, back_s)]
    faults += [Fault("feeder-open", pole, lost_s, back_s + chance.uniform(0, 60)) for pole in fed]
    faults += [Fault("lightning", pole, lost_s) for pole in struck]
    farm.world.faults = faults
    at_s = farm.clock.wall_s()
    while at_s < back_s + 1800:
        at_s += ROUND_S
        await farm.at(at_s, streams=int(at_s) % 300 < ROUND_S)
    called = gone(farm)
    wanted = {"supply/office-a supply-lost", *(f"{pole} ports-struck" for pole in struck)}
    said = Counter(f"{one.resource} {one.type}" for one in called)
    of_struck = [name for name in said if name.split(" ")[0].split("/")[0] in struck]
    return {
        "root_events": 3,
        "callouts": len(called),
        "missed": sorted(
            name for name in wanted if name not in said and not (name.split(" ")[0] in struck and of_struck)
        ),
        "beside": sorted(name for name in said if name not in wanted),
    }


async def year(seed: int, days: int) -> dict[str, Any]:
    """A quiet year of twelve poles: by the hour, each dusk by ten minutes, what happens by the round."""
    base, sheets = load_plan(shipped() / "tarrow-downs.yaml")
    plan, chance = widened(base, 12), random.Random(f"year {seed}")  # physics, not secrets
    farm = await healthy(plan, sheets, seed, START_S)
    start_s = farm.clock.wall_s()
    poles = [pole.name for pole in plan.poles]
    events = []
    for day in range(days):
        for kind, share, length_s in (
            ("switch-restart", 0.1, 1.0),
            ("spanning-tree-flap", 0.05, 12.0),
            ("fibre-cut", 0.03, 8.0),
        ):
            if chance.random() < share:
                at_s = start_s + day * DAY_S + chance.randrange(86_400)
                events.append(
                    Fault(
                        kind,
                        chance.choice([p for p in poles if kind != "fibre-cut" or plan.pole(p).fibre]),
                        at_s,
                        at_s + length_s,
                    )
                )
    events.sort(key=lambda fault: fault.start_s)
    farm.world.faults = list(events)
    at_s, end_s, i = start_s, start_s + days * DAY_S, 0
    while at_s < end_s:
        hour = int(at_s // HOUR_S) % 24
        step_s = 600.0 if hour in (7, 8, 9, 19, 20, 21) else HOUR_S
        while i < len(events) and events[i].start_s + 600 < at_s:
            i += 1
        if i < len(events) and at_s + step_s > events[i].start_s - ROUND_S and at_s < events[i].start_s + 600:
            step_s = (
                ROUND_S if at_s >= events[i].start_s - 2 * ROUND_S else max(ROUND_S, events[i].start_s - ROUND_S - at_s)
            )
        at_s += step_s
        await farm.at(at_s, streams=step_s >= 600)
    called = gone(farm)
    return {
        "days": days,
        "events": len(events),
        "callouts": len(called),
        "per_site_month": round(len(called) / (days / 30.4), 3),
        "said": dict(Counter(f"{one.resource} {one.type}" for one in called).most_common(12)),
        "alarms_raised": sum(c.what.startswith("raised") for c in farm.kept.changes),
        "raised_types": dict(
            Counter(c.alarm.key.type for c in farm.kept.changes if c.what.startswith("raised")).most_common(12)
        ),
    }


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("storm", "year"))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--number", type=int, default=20, help="storms")
    parser.add_argument("--days", type=int, default=365)
    given = parser.parse_args()
    logging.disable(logging.WARNING)
    began = time.monotonic()
    if given.what == "year":
        line: dict[str, Any] = {
            "bench": "storm",
            "what": "quiet year",
            "seed": given.seed,
            **asyncio.run(year(given.seed, given.days)),
        }
    else:
        found = [asyncio.run(storm(given.seed + i)) for i in range(given.number)]
        roots, calls = sum(one["root_events"] for one in found), sum(one["callouts"] for one in found)
        line = {
            "bench": "storm",
            "what": "storms",
            "storms": len(found),
            "root_events": roots,
            "callouts": calls,
            "callouts_per_root_event": round(calls / roots, 2),
            "missed": [name for one in found for name in one["missed"]],
            "beside": dict(Counter(name.split(" ", 1)[1] for one in found for name in one["beside"])),
        }
    print(json.dumps({**line, "seconds": round(time.monotonic() - began, 1)}))


if __name__ == "__main__":
    main()
