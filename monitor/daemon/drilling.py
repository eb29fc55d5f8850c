"""A drill on the live installation: a pole that answers is taken for silent, and the whole way to people is timed.

Nothing that counts is touched: readings, the pole's own watch and its own alarm stay what they are, so that a pole that
really drops during a drill is told of as ever.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from monitor.alarms.book import Condition, Key
from monitor.alarms.cause import Cause, cause_of
from monitor.alarms.conditions import of_root
from monitor.alarms.fault import Fault
from monitor.alarms.faults import FAULTS
from monitor.alarms.gather import Subject, gather
from monitor.alarms.messages import DRILL
from monitor.alarms.silence import MISSES_OF_TWO_KINDS, Sight, Watch, explain, look
from monitor.alarms.states import Operator
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.facts.readings import State
from monitor.history.records import Posted
from monitor.plan.parts import Pole

MARK = "DRILL, nothing is wrong, nobody needs to go. Supposed:"
SHOWS = 0.5
"""A sign that a fault makes more often than not is taken to be there."""
AFTERWARDS_S = 60.0
"""How long the all clear may take before the report says that it has not gone."""


class CannotDrill(ValueError):
    """There is no drill; the message says why."""


@dataclass
class Drill:
    """One drill under way, or the last one."""

    pole: str
    fault: str
    who: str
    began_s: float
    until_s: float
    watch: Watch
    cause: Cause
    ended_s: float | None = None
    ended_by: str = ""

    @property
    def key(self) -> Key:
        """Of its alarm."""
        return Key(self.pole, DRILL)


def fitting(pole: Pole) -> dict[str, Fault]:
    """The faults that silence a pole and can happen to this one, the most frequent first."""
    able = {"", "solar" if pole.feeder is None else "fed", *(("fibre",) if pole.fibre is not None else ())}
    dark = [fault for fault in FAULTS.values() if fault.signs.get("pole_silent", 0.0) > SHOWS and fault.only in able]
    return {fault.name: fault for fault in sorted(dark, key=lambda fault: -fault.per_year)}


class Drilling:
    """Drills under one plan; at most one at a time."""

    def __init__(self, rounds: Rounds, keeper: Keeper, clock: Clock) -> None:
        self._rounds, self._keeper, self._clock = rounds, keeper, clock
        self._drill: Drill | None = None
        rounds.drilled = self._found

    async def begin(self, pole: str, fault: str, who: str, minutes: float) -> None:
        """Take a pole for silent because of a fault, until somebody acknowledges or the minutes are over."""
        memory, now_s = self._rounds.memory, self._clock.wall_s()
        faults = fitting(memory.plan.pole(pole))
        name = fault or next(iter(faults))
        if name not in faults:
            raise CannotDrill(f"{name!r} is no fault that would silence {pole}; there are {', '.join(faults)}")
        if self._drill is not None and self._drill.ended_s is None:
            raise CannotDrill(f"a drill at {self._drill.pole} is still under way; acknowledge it to end it")
        if memory.watches[pole].doubtful:
            raise CannotDrill(f"{pole} does not answer now, and that is no drill: see farpole status")
        contexts = gather(memory, Subject(pole), now_s).contexts
        signs = {sign: p > SHOWS for sign, p in faults[name].signs.items()}
        cause = cause_of(signs, contexts, (f"nothing: {name} is only supposed",))
        self._drill = Drill(pole, name, who, now_s, now_s + minutes * 60, memory.watches[pole], cause)
        await self._keeper.event(now_s, DRILL, pole, json.dumps({"who": who, "fault": name, "what": "begun"}))
        for _ in range(MISSES_OF_TWO_KINDS):
            await self._rounds.reach(pole)

    def _found(self, sight: Sight) -> Iterator[Condition]:
        """What a look at a place says of the drill there; one that an earlier run left standing has ended."""
        drill, key = self._drill, Key(sight.place, DRILL)
        if drill is None or drill.pole != sight.place or drill.ended_s is not None:
            standing = self._rounds.memory.book.alarms.get(key)
            if standing is not None and not standing.cleared:
                yield Condition(key, None)
            return
        memory = self._rounds.memory
        drill.watch = look(drill.watch, Sight(drill.pole, sight.at_s, State.SILENT, ping=State.SILENT))
        explained = explain(memory.topology, {**memory.watches, drill.pole: drill.watch})
        if drill.pole in explained.roots:
            supposed = of_root(key, explained.roots[drill.pole], drill.cause)
            yield replace(supposed, text=f"{MARK} {supposed.text}", impacted=())

    async def look(self) -> None:
        """End the drill when somebody has acknowledged it, or its time is over."""
        drill = self._drill
        if drill is None or drill.ended_s is not None:
            return
        now_s, alarm = self._clock.wall_s(), self._rounds.memory.book.alarms.get(drill.key)
        answered = alarm is not None and not alarm.cleared and alarm.operator in (Operator.ACK, Operator.CLOSED)
        if not answered and now_s < drill.until_s:
            return
        drill.ended_s, drill.ended_by = now_s, "acknowledged" if answered else "nobody acknowledged in time"
        await self._rounds.step([Condition(drill.key, None)])
        words = {"who": drill.who, "fault": drill.fault, "what": drill.ended_by}
        await self._keeper.event(now_s, DRILL, drill.pole, json.dumps(words))

    async def report(self) -> dict[str, Any]:
        """What has happened in the last drill, each step with its seconds since the beginning."""
        drill, now_s = self._drill, self._clock.wall_s()
        if drill is None:
            raise CannotDrill("there was no drill since farpole started")
        changes = await self._keeper.ask(lambda store: store.changes(drill.began_s))
        posted = await self._keeper.ask(lambda store: store.posted(drill.key.resource, DRILL, drill.began_s))
        steps = [(drill.began_s, f"drill at {drill.pole} begun by {drill.who}: {drill.fault}")]
        steps += [(c.at_s, f"alarm {c.what}{f' by {c.who}' if c.who else ''}") for c in changes if c.key == drill.key]
        for one in posted:
            steps += _steps_of(one)
        if drill.ended_s is not None:
            steps.append((drill.ended_s, f"drill ended: {drill.ended_by}"))
        calls = [one for one in posted if one.kind == "callout"]
        open_ones = [one for one in posted if one.sent_s is None and one.state == "waiting"]
        over = drill.ended_s is not None and (not open_ones or now_s - drill.ended_s > AFTERWARDS_S)
        return {
            "pole": drill.pole,
            "fault": drill.fault,
            "over": over,
            "acknowledged": drill.ended_by == "acknowledged",
            "called": len(calls),
            "went": sum(one.sent_s is not None for one in calls),
            "not_gone": [f"{one.kind} to {one.person}: {one.why or 'waits'}" for one in open_ones],
            "steps": [
                {"after_s": round(at_s - drill.began_s, 1), "what": what} for at_s, what in sorted(steps, key=_at)
            ],
        }


def _at(step: tuple[float, str]) -> float:
    return step[0]


def _steps_of(one: Posted) -> Iterator[tuple[float, str]]:
    if one.sent_s is not None:
        yield one.sent_s, f"{one.kind} to {one.person} taken by {one.to}"
