"""Asking, by rounds: which place or device now, what again at once, what was learnt of it. What follows, others say."""

import asyncio
import logging
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import replace

from monitor.alarms import silence
from monitor.alarms.silence import Sight
from monitor.budgets.autonomy import dusk_in_s
from monitor.daemon.asking import Asking
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.devices.ask.snmp import Answer, Outcome
from monitor.devices.questions import MEASURE, REACH, Device, Script, poe_rows_of, script, scripts_of, serials_of
from monitor.facts import resources
from monitor.facts.readings import Round, Slot
from monitor.facts.states import IfOperStatus
from monitor.margins.judge import Standing

log = logging.getLogger("monitor.daemon.rounds")

OPTIC = "optic"
"""Kind of the event by which an optic's serial number is remembered."""
AROUND_DUSK_S = 1800.0
"""Half an hour on either side of sunset: infrared and heaters come on, a nightly load test of every feeder."""
HURRY_S = 1.0
"""How soon a place is asked again that has just missed a round."""


class Polling(ABC):
    """Asks places and devices, each for itself."""

    def __init__(self, memory: Memory, asking: Asking, keeper: Keeper, clock: Clock) -> None:
        self.memory, self.asking, self.keeper, self._clock = memory, asking, keeper, clock
        self.mine: Callable[[str], bool] = lambda place: True
        """Is a place asked here? Several may share a site."""

    @abstractmethod
    async def seen(self, sight: Sight, rounds: list[Round], services: dict[str, bool]) -> None:
        """What follows from one look at a place, whoever has looked."""

    @abstractmethod
    async def read(self, device: Device, tier: str, readings: Round, before: Round | None, answer: Answer) -> None:
        """What follows from one tier of one device, whoever has asked it."""

    @abstractmethod
    async def own_faults(self) -> None:
        """Tell of what could not be asked by our own fault, if there was anything new."""

    async def learn(self, device: Device) -> None:
        """Find out which rows a device has; until that succeeds it is asked for what needs no rows."""
        table = await self.asking.learn(device)
        expected = {slot: limit.expected for slot, limit in self.memory.limits.items() if limit.expected}
        old, new = self.memory.scripts.get(device.name, {}), scripts_of(device, table or {}, expected)
        # What has not changed stays the same object: how it is asked has been learnt, and its columns go on.
        self.memory.scripts[device.name] = {
            tier: old[tier] if tier in old and old[tier].same_as(script) else script for tier, script in new.items()
        }
        if table is not None:
            self.memory.learnt.add(device.name)
            self.memory.poe_rows[device.place] = poe_rows_of(device, table)
            await self._optics(serials_of(device, table))

    async def _optics(self, serials: Mapping[str, str]) -> None:
        """Remember which optic is in which port: another one has a baseline of its own."""
        for optic, serial in serials.items():
            if self.memory.serials.get(optic) == serial:
                continue
            if optic in self.memory.serials:
                log.warning("%s: optic %s in the place of %s", optic, serial, self.memory.serials[optic])
            self.memory.serials[optic] = serial
            now_s = self._clock.wall_s()
            await self.keeper.event(now_s, OPTIC, optic, serial)

    async def reach(self, place: str) -> float | None:
        """Ask a place whether it is there; how soon to ask again [s], or None for the usual time.

        Where it does not answer, it is asked again at once, quickly and in every way, until that is decided.
        """
        memory = self.memory
        if not self.mine(place):
            return None
        hurry = place in memory.hurried
        memory.hurried.discard(place)
        for turn in range(silence.MISSES_OF_ONE_KIND):
            if not await self._look(place, hurry or turn > 0):
                return HURRY_S
            watch = memory.watches[place]
            if not watch.doubtful or watch.silent or self._clock.wall_s() < watch.held_until_s:
                break
        if place in memory.explained.waiting:
            return HURRY_S
        return self._back_off(memory.watches[place])

    def _back_off(self, watch: silence.Watch) -> float | None:
        """What has been silent for long is asked less often; its own notification or a person may ask sooner."""
        if not watch.silent or watch.answered_s is None:
            return None
        usual_s, silent_s = self.memory.plan.rounds.reach_s, self._clock.wall_s() - watch.answered_s
        return usual_s * 4 if silent_s > 3600 else usual_s * 2 if silent_s > 600 else None

    async def _look(self, place: str, hurry: bool) -> bool:
        """One look at a place; False where it could not be asked by our own fault, which says nothing of the place."""
        memory, design = self.memory, self.memory.design
        device, hurry = design.switch_of(place), hurry or memory.watches[place].doubtful
        script = self._script(device, REACH)
        sight, rounds, services, answer = await self.asking.place(
            device, script, design.loads.get(place, []), hurry=hurry
        )
        await self.own_faults()
        if not sight.asked:
            return False
        if not sight.answers:
            sight = await self._second_look(sight)
        await self.seen(sight, rounds, services)
        if answer.outcome is Outcome.OK and device.name not in memory.learnt:
            await self.learn(device)
        return True

    async def ask(self, device: Device, tier: str) -> None:
        """One tier of one device: readings kept, margins judged, people told."""
        if not self.mine(device.place or self.memory.plan.headend.name):
            return
        if device.name not in self.memory.learnt and device not in self.memory.design.meters:
            return  # reaching it comes first
        wanted = self._script(device, tier)
        if not wanted.oids:
            return
        readings, answer = await self.asking.round(device, wanted)
        if answer.outcome is Outcome.UNASKED:
            await self.own_faults()
            return
        if answer.outcome is Outcome.SILENT and device not in self.memory.design.meters:
            return  # whether it is silent is for reachability rounds to say, not for this one
        before = self.memory.latest.newest(device.name, tier)
        if before is not None and self._renumbered(device, before, readings):
            await self.learn(device)
            if self._script(device, tier) is not wanted:
                return  # its rows have other numbers now: what was read may belong to other ports
        await self.read(device, tier, readings, before, answer)

    def sooner(self, device: Device, tier: str) -> float | None:
        """When to measure a device again [s]: more often around dusk, when infrared and heaters come on, and while
        something there is close to its limit; None for the usual time."""
        rounds, site = self.memory.plan.rounds, self.memory.plan.site
        if tier != MEASURE or rounds.dusk_s >= rounds.measure_s:
            return None
        near_dusk = dusk_in_s(site.latitude, site.longitude, self._clock.wall_s()) < AROUND_DUSK_S
        return rounds.dusk_s if near_dusk or self._suspicious(device.place) else None

    def _suspicious(self, place: str) -> bool:
        if self.memory.watches.get(place, silence.Watch()).doubtful:
            return False  # silence is for reachability rounds
        return any(
            margin.standing in (Standing.CLOSE, Standing.PAST) and resources.place_of(margin.slot.resource) == place
            for margin in self.memory.margins.values()
        )

    def _script(self, device: Device, tier: str) -> Script:
        known = self.memory.scripts
        scripts = known.get(device.name) or known.setdefault(device.name, scripts_of(device, {}))
        return scripts[tier] if tier in scripts else script(device.name, tier, [])

    def _keep(self, rounds: list[Round]) -> None:
        for readings in rounds:
            self.memory.latest.take(readings)
            self.memory.norms.take(readings)
        self.keeper.keep(rounds)

    def _renumbered(self, device: Device, before: Round, now: Round) -> bool:
        """Has the device's port table changed since the last round (RFC 2863 ifTableLastChange)?"""
        slot = Slot(resources.switch(device.place), "table_changed_seconds")
        earlier, later = before.get(slot), now.get(slot)
        return earlier is not None and later is not None and earlier != later

    async def _second_look(self, sight: Sight) -> Sight:
        """A place that did not answer: ask what lies above it and the meter now, so that the evidence is fresh."""
        design = self.memory.design
        above = design.topology.above.get(sight.place)
        if above is None:
            return sight
        around = (design.switch_of(above), *design.meters)
        asked = [self.asking.round(device, self._script(device, REACH), hurry=True) for device in around]
        came = await asyncio.gather(*asked)
        self._keep([readings for readings, answer in came if answer.outcome is not Outcome.UNASKED])
        link = self.memory.latest.value(Slot(design.topology.uplink[sight.place], "link_state"), sight.at_s)
        return replace(sight, uplink_up=None if link is None else link == IfOperStatus.UP)
