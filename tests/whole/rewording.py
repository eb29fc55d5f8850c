"""A day of faults at the simulated site, told as facts alone: ``python -m tests.whole.rewording SEED``.

With a seed other than 0 every sentence of the program is reworded before anything is imported that has one, its English
pattern too: other letters, other lengths, its values in another order. Whatever is printed must stay as it is.
"""

import asyncio
import json
import random
import re
import string
import sys
import tempfile
from functools import lru_cache
from pathlib import Path
from typing import Any

from monitor.facts import words

START_S = 1_793_500_000.0
"""1 November 2026, 02:26 in the east of Australia: inside one month, with days for the faults below."""
HEALTHY, STEP_S = 72, 600.0
FAULTS = (
    ("port-short", "yards"),
    ("fibre-cut", "creek"),
    ("feeder-open", "yards"),
    ("camera-hung", "yards"),
    ("mps-absent", "yards"),
    ("lightning", "yards"),
)


@lru_cache(10_000)
def reworded(pattern: str, seed: int) -> str:
    """A pattern in other words; its values stay, in another order.

    >>> sorted(re.findall(r"{[^}]*}", reworded("{load}: it draws {watts:.1f} W", 7)))
    ['{load}', '{watts:.1f}']
    """
    chance = random.Random(f"{seed} {pattern}")
    parts = [part for part in re.split(r"(\{[^}]*\})", pattern) if part]
    others = [part if part.startswith("{") else _letters(chance) for part in parts]
    chance.shuffle(others)
    return "".join(others)


def _letters(chance: random.Random) -> str:
    return " " + "".join(chance.choices(string.ascii_letters + " ;:.", k=chance.randint(1, 40))) + " "


def reword_everything(seed: int) -> None:
    """From now on each sentence is made of other words, also one that is read back from a history."""
    made = words.Said.__new__

    def new(cls: type[words.Said], pattern: str, values: Any) -> words.Said:
        return made(cls, reworded(pattern, seed) if pattern else pattern, values)

    setattr(words.Said, "__new__", new)  # noqa: B010  # mypy forbids it in an assignment, and it is the point


class Day:
    """The simulated site through some faults, one after the other, and what can be told of it as facts."""

    def __init__(self) -> None:
        from monitor.daemon.demo import may_act
        from monitor.daemon.files import load_plan, shipped
        from tests.whole.fast import FastFarm

        plan, sheets = load_plan(shipped() / "tarrow-downs.yaml")
        self.plan, self.at_s = may_act(plan), START_S
        self.farm = FastFarm(self.plan, sheets, 1, START_S)
        self.rounds: list[Any] = []
        vars(self.farm.kept)["keep"] = self.rounds.extend
        self.facts: dict[str, Any] = {"guards": [], "pictures": [], "revived": []}

    async def through(self, fault: str, pole: str) -> None:
        """Half a day of health, 24 minutes of a fault, and after it."""
        from monitor.simulation.faults import Fault

        await self._on(HEALTHY, STEP_S)
        self.farm.world.faults = [Fault(fault, pole, self.at_s + 30)]
        await self._on(20, 60.0)
        self.look(self.farm.memory.book)
        await self._on(4, 60.0)
        self.farm.world.faults = []
        await self._on(20, 60.0)
        self.look(self.farm.memory.book)

    async def _on(self, steps: int, step_s: float) -> None:
        for _ in range(steps):
            self.at_s += step_s
            await self.farm.at(self.at_s)

    def look(self, book: Any) -> None:
        """Which ports may be switched, which cameras are revived, and how everything is shown."""
        from monitor.alarms.acts import may_cycle, to_revive
        from monitor.show.picture import compose

        plan, memory = self.plan, self.farm.memory
        ports = [(pole.name, load.port) for pole in plan.poles for load in pole.loads]
        may = [not may_cycle(plan, memory.topology, *port, self.at_s, (), book, True) for port in ports]
        self.facts["guards"].append([[*port, so] for port, so in zip(ports, may, strict=True)])
        self.facts["revived"].append(to_revive(book, plan, self.at_s, 240.0, 60.0))
        seen = compose(memory, self.at_s, "")
        places = [[p.name, p.state, [[m.quantity, m.standing, not m.missing] for m in p.margins]] for p in seen.poles]
        alarms = [[a.resource, a.type, a.severity, a.cleared] for a in seen.alarms]
        self.facts["pictures"].append([places, alarms])

    def kept(self, folder: Path) -> None:
        """The same after a restart, by what the history has kept; and the review of it."""
        from monitor.alarms.book import Book
        from monitor.history.store import Store

        kept = self.farm.kept
        self.facts["changes"] = [[c.at_s, c.what, c.who, *_alarm(c.alarm)] for c in kept.changes]
        self.facts["messages"] = [[m.person, m.kind, m.resource, m.type, m.not_before_s] for m in kept.messages]
        with Store(folder / "history.sqlite") as store:
            store.record(kept.changes, kept.messages)
            store.keep([one for one in self.rounds if one.layout.tier == "reach"])
            again = Book({alarm.key: alarm for alarm in store.alarms()})
            self.look(again)
            self.facts["kept"] = sorted(_alarm(alarm) for alarm in again.alarms.values())
            self.facts |= _judged(self.farm, store, self.at_s)


async def told() -> dict[str, Any]:
    """The facts of the day."""
    day = Day()
    for fault, pole in FAULTS:
        await day.through(fault, pole)
    with tempfile.TemporaryDirectory() as folder:
        day.kept(Path(folder))
    return day.facts


def _alarm(alarm: Any) -> list[Any]:
    cause = alarm.cause
    why = cause and [cause.name, cause.group, cause.certainty, cause.percent, cause.unknown_fault, len(cause.van_list)]
    suspects = cause and [[one.fault, one.percent] for one in cause.suspects]
    is_now = [alarm.severity.value, alarm.cleared, alarm.operator.value, alarm.root, alarm.impacted, alarm.times_raised]
    return [str(alarm.key), *is_now, alarm.settlement.name, sorted(alarm.signs), why, suspects]


def _judged(farm: Any, store: Any, now_s: float) -> dict[str, Any]:
    """Margins that drift, that are used up, that stand still and that are too young; and the review of it all."""
    import numpy as np

    from monitor.alarms.drifting import of_verdicts
    from monitor.alarms.record import factors
    from monitor.daemon.reviewing import Reviewing
    from monitor.facts.readings import Layout, Round, State
    from monitor.margins.features import DAY_S, daily
    from monitor.margins.kinds import watched
    from monitor.margins.verdict import ranked, soon, verdict_of

    design = farm.memory.design
    series = [slot for slot in watched(design.plan, design.budget) if slot.quantity == "rx_dbm"][:4]
    every, verdicts = watched(design.plan, design.budget), {}
    today = int(now_s // DAY_S)
    store.keep([Round.blank(Layout("office/switch", "measure", tuple(series)), now_s, State.SILENT)])
    for slot, (days, a_day) in zip(series, ((200, 0.02), (200, 0.2), (200, 0.0), (5, 0.0)), strict=True):
        times = np.float64((today - days) * DAY_S) + np.arange(days * 24, dtype=np.float64) * 3600.0
        noise = np.random.default_rng(1).normal(0, 0.02, len(times))
        ramp = np.maximum(0.0, np.arange(len(times)) / 24 - 100)
        found = daily(times, -9.0 - a_day * ramp + noise)
        store.put_features(_rows(slot, found))
        verdicts[slot] = verdict_of(slot, every[slot], found, [])
    conditions = [[str(c.key), c.severity and c.severity.value] for c in of_verdicts(verdicts, every)]
    month = Reviewing(store, design, "2026-11", now_s).month()
    past = [change for change in store.changes(0.0) if change.what == "cleared"]
    return {
        "drifts": conditions,
        "soon": [soon(verdict) for verdict in verdicts.values()],
        "next": [[one.pole, one.risk] for one in ranked(verdicts, design.lost_with())],
        "likelier": factors(change.settlement for change in past),
        "available": [[a.pole, a.power_minutes, a.path_minutes, a.unknown_minutes] for a in month.available],
        "visits": [[one.pole, one.fault, len(one.why)] for one in month.visits],
        "series": [[s.name, s.used_percent, s.steady, s.drift != "", s.limit] for s in month.series],
        "faults": [[f.resource, f.type, f.severity, f.settled != ""] for f in month.faults],
        "figures": [month.alarms.raised, month.alarms.per_day, len(month.not_measured), len(month.work)],
    }


def _rows(slot: Any, found: Any) -> list[Any]:
    from monitor.margins.features import Features

    columns = [getattr(found, name) for name in Features.__slots__]
    return [(int(day), slot, Features(*(one[i : i + 1] for one in columns))) for i, day in enumerate(found.days)]


if __name__ == "__main__":
    if int(sys.argv[1]):
        reword_everything(int(sys.argv[1]))
    json.dump(asyncio.run(told()), sys.stdout, sort_keys=True)
