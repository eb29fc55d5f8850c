"""The nightly judgement: every series against its limit and baseline, alarms for what drifts, and what history says."""

import asyncio
import json
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from monitor.alarms.book import Condition
from monitor.alarms.drifting import of_verdicts
from monitor.alarms.record import factors
from monitor.daemon.clock import Clock
from monitor.daemon.design import Design
from monitor.daemon.failing import NotDone
from monitor.daemon.keeper import Keeper
from monitor.daemon.rounds import OPTIC, Rounds
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.words import say
from monitor.history.fold import day_of
from monitor.history.records import BaselineSet, Repair
from monitor.history.store import NotKept
from monitor.margins.features import Features
from monitor.margins.kinds import Watched, ends_of, watched
from monitor.margins.light import Span, at_both, lost, whence
from monitor.margins.verdict import Verdict, verdict_of

log = logging.getLogger(__name__)

DAY_S = 86_400.0
RECENT_DAYS = 3
LONG_AGO_S = 5 * 365 * DAY_S


@dataclass(frozen=True, slots=True)
class Reset:
    """Why a series is compared with itself anew from a day on."""

    day: int
    reason: str


class Judging:
    """Runs once after each night's fold, and at the start; series by series, so that rounds go on in between."""

    def __init__(self, rounds: Rounds, keeper: Keeper, clock: Clock) -> None:
        self._rounds, self._keeper, self._clock = rounds, keeper, clock
        self._judged_day = -1
        design = rounds.memory.design
        self._watched = watched(design.plan, design.budget)

    async def run(self) -> None:
        """Judge every series, once a day; what cannot be read now is tried again at the next hour.

        Raises NotDone.
        """
        now_s = self._clock.wall_s()
        try:
            decided = await self._keeper.ask(lambda store: store.setting_of("standard_offset_s"))
            if decided is None:
                return  # no day has been folded yet
            offset_s = int(decided)
            today = day_of(now_s, offset_s)
            if today == self._judged_day:
                return
            await self._judge(now_s, offset_s)
            self._judged_day = today
        except NotKept as error:
            raise NotDone(say("the nightly judgement could not be made: {why}", why=str(error))) from None

    async def _judge(self, now_s: float, offset_s: int) -> None:
        memory, started_s = self._rounds.memory, self._clock.monotonic_s()
        repairs = await self._keeper.ask(lambda store: store.repairs())
        optics = await self._keeper.ask(lambda store: store.notes(OPTIC))
        memory.visits = {one.resource.split("/")[0]: one.at_s for one in repairs}
        past = await self._keeper.ask(lambda store: store.changes(now_s - LONG_AGO_S, 5000))
        memory.record = factors(one.settlement for one in past if one.what == "cleared")
        verdicts: dict[Slot, Verdict] = {}
        for slot, one in self._watched.items():
            features = await self._keeper.ask(lambda store, slot=slot: store.features(slot))  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name
            if not len(features):
                continue
            resets = resets_of(slot, one, repairs, optics, offset_s)
            verdict = await asyncio.to_thread(verdict_of, slot, one, features, [reset.day for reset in resets])
            verdicts[slot] = verdict
            self._seed(slot, features, now_s)
            await self._keep(verdict, resets, offset_s)
        for slot, where in (await self._whence(verdicts)).items():
            verdicts[slot] = replace(verdicts[slot], whence=where)
        memory.verdicts = verdicts
        await self._rounds.step(self._conditions(verdicts))
        took_s = self._clock.monotonic_s() - started_s
        drifting = sum(verdict.drift is not None for verdict in verdicts.values())
        log.info("%d series judged in %.1f s, %d drift", len(verdicts), took_s, drifting)

    async def _whence(self, verdicts: Mapping[Slot, Verdict]) -> dict[Slot, str]:
        design = self._rounds.memory.design
        return await self._keeper.ask(lambda store: lost_where(design, verdicts, store.features))

    def _conditions(self, verdicts: Mapping[Slot, Verdict]) -> list[Condition]:
        return list(of_verdicts(verdicts, self._watched))

    def _seed(self, slot: Slot, features: Features, now_s: float) -> None:
        """What was usual in the last days, for sudden changes after a restart of this program."""
        recent = features.midmean[-RECENT_DAYS:]
        self._rounds.memory.norms.seed(slot, float(sorted(recent)[len(recent) // 2]), now_s)

    async def _keep(self, verdict: Verdict, resets: Sequence[Reset], offset_s: int) -> None:
        if verdict.judged is None:
            return
        base = verdict.judged.baseline
        reason = next((one.reason for one in resets if one.day == base.from_day), "")
        first = base.from_day == verdict.judged.segments[0]
        reason = reason or ("its first readings" if first else "it jumped away from its limit, and nobody noted why")
        detail = json.dumps({"at_c": base.at_c, "per_kelvin": round(verdict.judged.beta, 6)})
        from_s = base.from_day * DAY_S - offset_s
        one = BaselineSet(verdict.slot.resource, verdict.slot.quantity, from_s, base.value, base.sigma, reason, detail)
        await self._keeper.ask(lambda store: store.baselined(one))


def resets_of(
    slot: Slot,
    one: Watched,
    repairs: Sequence[Repair],
    optics: Sequence[tuple[float, str, str]],
    offset_s: int,
) -> list[Reset]:
    """Days from which a series is compared anew: what was noted at its pole or place, and new optics in its port."""
    place = resources.place_of(slot.resource)
    found = [
        Reset(day_of(repair.at_s, offset_s) + 1, f"{_date(repair.at_s)} {repair.who}: {repair.text}")
        for repair in repairs
        if repair.resource in (place, one.pole, slot.resource)
    ]
    serials = [(at_s, serial) for at_s, optic, serial in optics if optic == slot.resource]
    found += [Reset(day_of(at_s, offset_s) + 1, f"{_date(at_s)} new optic {serial}") for at_s, serial in serials[1:]]
    return sorted(found, key=lambda reset: reset.day)


def _date(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).date().isoformat()


def lost_where(
    design: Design, verdicts: Mapping[Slot, Verdict], features: Callable[[Slot, int], Features]
) -> dict[Slot, str]:
    """Where light was lost, of each run on which either direction drifts; ``features`` gives those since a day."""
    found: dict[Slot, str] = {}
    for pole in design.plan.poles:
        if pole.fibre is None:
            continue
        near, far = ends_of(pole, design.plan)
        light = [slot for slot in (Slot(near, "rx_dbm"), Slot(far, "rx_dbm")) if slot in verdicts]
        drifting = [one.judged for slot in light if (one := verdicts[slot]).drift is not None and one.judged]
        if not drifting:
            continue
        from_day = max(judged.baseline.from_day for judged in drifting)
        ways = []
        for optic, sends, receives in ((pole.fibre.end.optic, far, near), (pole.fibre.start.optic, near, far)):
            nm = design.sheets.optics[optic].tx_nm.value
            tx = at_both(features(Slot(sends, "tx_dbm"), from_day), from_day)
            rx = at_both(features(Slot(receives, "rx_dbm"), from_day), from_day)
            ways.append(lost(Span(nm, tx[0], rx[0]), Span(nm, tx[1], rx[1])))
        found |= dict.fromkeys(light, whence(ways[0], ways[1]))
    return found
