"""A pole is turned up: measured for some minutes, by day and after dusk, compared, recorded as its baseline."""

import asyncio
import json
import logging
from dataclasses import asdict
from typing import Any

from monitor.budgets.autonomy import LIT_AFTER_S, lamps_lit, until_dark_s
from monitor.daemon.clock import Clock
from monitor.daemon.closely import look
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import Rounds
from monitor.devices.decode.raw import text
from monitor.devices.decode.system import SYSTEM
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.words import kept, revived
from monitor.history.records import BaselineSet, Repair
from monitor.history.store import NotKept
from monitor.margins.kinds import KINDS, ends_of
from monitor.margins.loop import from_level
from monitor.margins.turnup import Measured, Step, compared, measured_of, steps
from monitor.plan.parts import Pole
from monitor.show.ports import Refused
from monitor.show.turnup import Part, Sheet, from_kept

log = logging.getLogger(__name__)

TURN_UP = "turn-up"
"""Kind of the event by which a turn-up is kept, with everything that its sheet shows."""
EACH_S, MOST_MINUTES = 2.0, 60.0
DAY_S = 86_400.0


class TurningUp:
    """Turn-ups under one plan. One pole is measured at a time."""

    def __init__(self, rounds: Rounds, keeper: Keeper, clock: Clock) -> None:
        self._rounds, self._keeper, self._clock = rounds, keeper, clock
        self._task: asyncio.Task[None] | None = None
        self._now: dict[str, Any] = {}

    def begin(self, pole: str, who: str, minutes: float, after_dusk: bool) -> None:
        """Measure now, and once more after dusk if wished. Raises Refused."""
        if self._task is not None and not self._task.done():
            raise Refused(f"{self._now['pole']} is being measured; one pole at a time")
        if self._rounds.memory.watches[pole].doubtful:
            raise Refused(f"{pole} does not answer: there is nothing to measure")
        self._now = {"pole": pole, "doing": "measuring", "until_s": self._clock.wall_s() + 60 * minutes, "why": ""}
        self._task = asyncio.create_task(self._run(pole, who, minutes, after_dusk), name=f"turn-up of {pole}")

    def close(self) -> None:
        """Give it up."""
        if self._task is not None:
            self._task.cancel()

    def state(self) -> dict[str, Any]:
        """What is being done now."""
        return dict(self._now) if self._now else {"pole": "", "doing": "nothing", "until_s": 0.0, "why": ""}

    async def _run(self, pole: str, who: str, minutes: float, after_dusk: bool) -> None:
        try:
            await self._measure(pole, who, minutes, self._until_dark_s() == 0, True)
            wait_s = self._until_dark_s()
            if after_dusk and 0 < wait_s < DAY_S:
                self._now |= {"doing": "waiting for dusk", "until_s": self._clock.wall_s() + wait_s}
                await self._clock.sleep(wait_s)
                self._now |= {"doing": "measuring", "until_s": self._clock.wall_s() + 60 * minutes}
                await self._measure(pole, who, minutes, True, False)
            self._now |= {"doing": "done"}
        except NotKept as error:
            self._now |= {"doing": "failed", "why": f"it could not be kept: {error}"}
            log.error("turn-up of %s: %s", pole, error)

    def _until_dark_s(self) -> float:
        site = self._rounds.memory.plan.site
        return until_dark_s(site.latitude, site.longitude, self._clock.wall_s(), LIT_AFTER_S)

    def _lit(self) -> bool | None:
        site = self._rounds.memory.plan.site
        return lamps_lit(site.latitude, site.longitude, self._clock.wall_s())

    async def _measure(self, pole: str, who: str, minutes: float, night: bool, first: bool) -> None:
        samples: list[dict[Slot, float]] = []
        lit = self._lit()
        until_s = self._clock.monotonic_s() + 60 * minutes
        while self._clock.monotonic_s() < until_s:
            seen = await look(self._rounds, pole)
            samples.append({slot: reading.value for slot, reading in seen.items() if reading.value is not None})
            await self._clock.sleep(EACH_S)
        lit = lit if lit == self._lit() else None  # lamps went on or off meanwhile
        part = await self._part(self._rounds.memory.plan.pole(pole), who, samples, night, lit)
        await self._keep(part, first)

    async def _part(
        self, pole: Pole, who: str, samples: list[dict[Slot, float]], night: bool, lit: bool | None
    ) -> Part:
        design = self._rounds.memory.design
        supply = resources.supply(design.topology.supply[pole.name])
        measured = _measured(samples, pole, supply)
        budget = design.budget.poles[pole.name]
        items = compared(pole, design.plan, design.sheets, budget, design.limits, measured, lit)
        at_steps: tuple[Step, ...] = steps(samples, pole, supply)
        return Part(pole.name, who, self._clock.wall_s(), night, items, at_steps, await self._facts(pole))

    async def _facts(self, pole: Pole) -> tuple[tuple[str, str], ...]:
        """Serial numbers, hardware addresses and what the switch says of itself."""
        memory = self._rounds.memory
        found = []
        if pole.fibre is not None:
            near, far = ends_of(pole, memory.plan)
            found += [(optic, memory.serials.get(optic, "")) for optic in (far, near)]
        table = await self._rounds.asking.tables(memory.design.switch_of(pole.name), [(*SYSTEM, 1)])
        raw = (table or {}).get((*SYSTEM, 1, 0))
        found.append((resources.switch(pole.name), text(raw) if isinstance(raw, bytes) else ""))
        known = dict(memory.known)
        for load in pole.loads:
            port = resources.port(pole.name, load.port)
            found.append(
                (resources.load(pole.name, load.name), f"{load.address or ''} {load.mac or known.get(port, '')}")
            )
        return tuple((name, words.strip()) for name, words in found)

    async def _keep(self, part: Part, first: bool) -> None:
        """The record; of the first measuring also the baseline of every judged series, and a note, so that margins are
        compared anew from here."""
        words = json.dumps(kept(asdict(part)), default=lambda one: one.value)  # the words of an enumeration
        await self._keeper.ask(lambda store: store.note(part.at_s, TURN_UP, part.pole, words))
        if not first:
            return
        repair = Repair(part.at_s, part.pole, part.who, "turned up")
        await self._keeper.ask(lambda store: store.repaired(repair))
        for item in part.items:
            if item.measured is None or item.slot.quantity not in KINDS:
                continue
            m = item.measured
            at = {"readings": m.count, "steps": [asdict(step) for step in part.steps]}
            one = BaselineSet(
                *(item.slot.resource, item.slot.quantity, part.at_s, m.median, m.high - m.low),
                f"turn-up, {part.who}",
                json.dumps(at),
            )
            await self._keeper.ask(lambda store: store.baselined(one))  # noqa: B023  # awaited before the next turn
        self._rounds.memory.visits[part.pole] = part.at_s

    async def sheet(self, pole: str) -> Sheet:
        """The newest turn-up of a pole, its night, and the one before it. Raises Refused where there is none."""
        rows = await self._keeper.ask(lambda store: store.notes(TURN_UP))
        parts = [from_kept(revived(json.loads(words))) for _, place, words in rows if place == pole]
        days = [one for one in parts if not one.night] or parts
        if not days:
            raise Refused(f"{pole} has not been turned up yet: farpole turnup {pole}")
        newest = days[-1]
        night = next((one for one in reversed(parts) if one.night and one.at_s >= newest.at_s), None)
        before = days[-2] if len(days) > 1 else None
        design = self._rounds.memory.design
        planned = design.plan.pole(pole)
        place = (design.plan.site.name, design.plan.site.timezone, planned.place)
        return Sheet(*place, newest, night if night is not newest else None, before)


def _measured(samples: list[dict[Slot, float]], pole: Pole, supply: str) -> dict[Slot, Measured]:
    """Each quantity's median and range, and the feeder's loop from volts and amperes of the same moments."""
    values: dict[Slot, list[float]] = {}
    head, amperes = Slot(supply, "supply_volts"), Slot(resources.feeder(pole.name), "feeder_amperes")
    volts = Slot(resources.switch(pole.name), "input_volts")
    for one in samples:
        for slot, value in one.items():
            values.setdefault(slot, []).append(value)
        if head in one and amperes in one and volts in one and pole.feeder is not None and not pole.feeder.start:
            loop = from_level(one[head], one[volts], one[amperes])
            if loop is not None:
                values.setdefault(Slot(resources.feeder(pole.name), "loop_ohms"), []).append(loop.ohms)
    found = {slot: measured_of(some) for slot, some in values.items()}
    return {slot: one for slot, one in found.items() if one is not None}
