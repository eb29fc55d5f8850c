"""The jobs: ask → decode → keep → judge → step → tell. Each is short; what it decides, others have computed."""

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from monitor.alarms import conditions, evidence, silence
from monitor.alarms.book import Change, Condition, Key, step
from monitor.alarms.cause import Cause, cause_of
from monitor.alarms.gather import Silence, gather
from monitor.alarms.grouping import of_poles, rooted
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.silence import Sight
from monitor.budgets.autonomy import dusk_in_s
from monitor.daemon.asking import Asking
from monitor.daemon.clock import Clock
from monitor.daemon.deriving import (
    CAUSED,
    feeder_rounds,
    is_starting,
    layer_of,
    links,
    of_meter,
    rates,
    shelved,
    subject_of,
    sudden_at,
)
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.telling import Telling
from monitor.devices.ask.snmp import Outcome
from monitor.devices.questions import MEASURE, REACH, Device, Script, poe_rows_of, script, scripts_of, serials_of
from monitor.facts import resources
from monitor.facts.readings import Round, Slot
from monitor.margins.judge import Margin, Standing

log = logging.getLogger(__name__)

OPTIC = "optic"
"""Kind of the event by which an optic's serial number is remembered."""
AROUND_DUSK_S = 1800.0
"""Half an hour on either side of sunset: infrared and heaters come on, a nightly load test of every feeder."""
HURRY_S = 1.0
"""How soon a place is asked again that has just missed a round."""


class Rounds:
    """The jobs over one memory."""

    def __init__(
        self, memory: Memory, asking: Asking, keeper: Keeper, clock: Clock, changed: Callable[[], None]
    ) -> None:
        self.memory, self.asking, self.keeper, self._clock = memory, asking, keeper, clock
        self.link_changed: Callable[[str], None] = lambda place: None
        self.drilled: Callable[[Sight], Iterable[Condition]] = lambda sight: ()
        self.telling = Telling(memory, keeper, clock)
        self._changed = changed

    # ---- jobs

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
        hurry = place in memory.hurried
        memory.hurried.discard(place)
        for turn in range(silence.MISSES_OF_ONE_KIND):
            await self._look(place, hurry or turn > 0)
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

    async def _look(self, place: str, hurry: bool) -> None:
        """One look at a place."""
        memory, design = self.memory, self.memory.design
        device, hurry = design.switch_of(place), hurry or memory.watches[place].doubtful
        script = self._script(device, REACH)
        sight, rounds, services, answer = await self.asking.place(
            device, script, design.loads.get(place, []), hurry=hurry
        )
        if not sight.answers:
            sight = await self._second_look(sight)
        self._keep(rounds)
        await self._judge(sight, services, device, rounds[0])
        if answer.outcome is Outcome.OK and device.name not in memory.learnt:
            await self.learn(device)

    async def ask(self, device: Device, tier: str) -> None:
        """One tier of one device: readings kept, margins judged, people told."""
        if device.name not in self.memory.learnt and device not in self.memory.design.meters:
            return  # reaching it comes first
        wanted = self._script(device, tier)
        if not wanted.oids:
            return
        readings, answer = await self.asking.round(device, wanted)
        if answer.outcome is Outcome.SILENT and device not in self.memory.design.meters:
            return  # whether it is silent is for reachability rounds to say, not for this one
        before = self.memory.latest.newest(device.name, tier)
        if before is not None and self._renumbered(device, before, readings):
            await self.learn(device)
            if self._script(device, tier) is not wanted:
                return  # its rows have other numbers now: what was read may belong to other ports
        for derived in rates(self.memory, device, before, readings):
            self.memory.latest.take(derived)  # it follows from history and is not kept
            self.memory.norms.take(derived)
        if before is not None and links(before) != links(readings):
            self.link_changed(device.place)
        self._keep(feeder_rounds(self.memory, device.place, readings))
        self.memory.norms.take(readings)
        self.memory.latest.take(readings)
        found = [
            *self._of_ports(device, readings),
            *(sudden_at(self.memory, device.place, self._clock.wall_s()) if tier == MEASURE else ()),
        ]
        await self.take(readings, found + (of_meter(device, answer) if device in self.memory.design.meters else []))

    def _of_ports(self, device: Device, readings: Round) -> Iterable[Condition]:
        """Port states; of a pole that has only just come back none is told to be wrong: its ports start."""
        starting = is_starting(self.memory.watches.get(device.place), self._clock.wall_s())
        return (c for c in conditions.of_ports(readings) if not starting or c.severity is None)

    async def take(self, readings: Round, found: list[Condition]) -> None:
        """Keep a round, judge it, and step the book with that and with what else was found."""
        self._keep([readings])
        judged = self.memory.judge.round(readings, self.memory.margins)
        self.memory.margins.update(judged)
        at_once = {slot: margin for slot, margin in judged.items() if not self._hold(margin)}
        await self.step([*conditions.of_margins(at_once, self._shadow()), *found])

    async def stands(self, place: str) -> bool:
        """Something behind a place does not answer: does the place itself, and did it have time to start all of it?

        The place is asked now: what lies behind a silent pole is unknown, not broken.
        """
        await self.reach(place)
        watch = self.memory.watches[place]
        starting = watch.back_since_s is None or self._clock.wall_s() - watch.back_since_s < silence.GRACE_S
        return not watch.doubtful and not starting

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

    # ---- parts of jobs

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
        for device in (design.switch_of(above), *design.meters):
            readings, _ = await self.asking.round(device, self._script(device, REACH), hurry=True)
            self._keep([readings])
        link = self.memory.latest.value(Slot(design.topology.uplink[sight.place], "link_state"), sight.at_s)
        return replace(sight, uplink_up=None if link is None else link == 1)

    async def _judge(self, sight: Sight, services: dict[str, bool], device: Device, readings: Round) -> None:
        memory, now_s = self.memory, self._clock.wall_s()
        topology = memory.design.topology
        uptime = memory.latest.value(Slot(device.name, "uptime_seconds"), now_s - evidence.FRESH_S)
        memory.watches[sight.place] = silence.look(memory.watches[sight.place], sight, uptime)
        explained = silence.explain(topology, memory.watches)
        memory.watches = silence.hold_explained(topology, memory.watches, memory.explained, explained, now_s)
        explained = memory.explained = silence.explain(topology, memory.watches)
        loads = {load.name: load.resource for load in memory.design.loads.get(sight.place, [])}
        found = [
            *conditions.of_sight(
                sight, memory.watches[sight.place], device.name, services, loads, layer_of(self.memory, sight)
            ),
            *conditions.of_silence(topology, memory.watches, explained, self.why, self._settled),
            *conditions.of_margins(memory.held.pop(sight.place, {}), self._shadow()),
            *self.drilled(sight),
        ]
        await self.step(found)
        if sight.answers and sight.place in topology.above:
            await self._remember(sight.place, device, now_s)

    async def _remember(self, pole: str, device: Device, now_s: float) -> None:
        memory = self.memory
        alarm = memory.book.alarms.get(Key(pole, "pole-silent"))
        if alarm is not None and not alarm.cleared:
            return  # what stood before the silence is still needed to settle it
        older = memory.before.get(pole)
        if evidence.restarted(pole, memory.latest, older, now_s):
            log.info("%s has restarted", device.name)
            memory.learnt.discard(device.name)
        memory.before[pole] = evidence.remember(memory.design.topology, memory.latest, pole, now_s, older)

    def _hold(self, margin: Margin) -> bool:
        """Light from a pole is judged when the pole has been asked: a dead pole's laser is dark, which is no fault."""
        pole = self.memory.lit_by.get(margin.slot.resource)
        if pole is None:
            return False
        self.memory.held.setdefault(pole, {})[margin.slot] = margin
        return True

    def _shadow(self) -> dict[str, str]:
        return silence.overshadowed(self.memory.design.topology, self.memory.watches, self.memory.explained)

    def why(self, place: str, load: str | None = None) -> Cause:
        """The most probable cause of what is wrong at a place, by everything that is known now."""
        memory, now_s = self.memory, self._clock.wall_s()
        known = gather(memory, place, now_s, load)
        if known.signs.get("pole_silent") and place in memory.explained.roots:
            memory.silences[place] = Silence(now_s, known.signs)
        return cause_of(known.signs, known.contexts, known.lines, memory.record)

    def _settled(self, pole: str) -> str | None:
        memory, now_s = self.memory, self._clock.wall_s()
        alarm = memory.book.alarms.get(Key(pole, "pole-silent"))
        if alarm is None or alarm.cleared:
            return ""  # there is nothing to settle
        return evidence.settlement(pole, memory.latest, memory.before.get(pole), memory.watches[pole], now_s)

    def own(self, kind: str, trouble: str) -> Condition:
        """A condition of the program itself."""
        return Condition(Key(resources.ITSELF, kind), INVENTORY[kind].severity if trouble else None, trouble)

    # ---- the book

    async def step(self, found: Iterable[Condition]) -> None:
        """Step the book; keep what has changed and tell people."""
        memory = self.memory
        now_s = self._clock.wall_s()
        memory.book, changes = step(
            memory.book, map(self._caused, rooted(list(found), memory.book, memory.plan)), now_s
        )
        if changes:
            memory.book, more = step(memory.book, of_poles(memory.plan, memory.book, self.why), now_s)
            changes += more + shelved(memory, now_s)
        await self.tell(changes)

    def _caused(self, condition: Condition) -> Condition:
        """The condition with the most probable cause of it, where it is new and one can be told."""
        if condition.severity is None or condition.cause is not None or condition.key.type not in CAUSED:
            return condition
        known = self.memory.book.alarms.get(condition.key)
        if known is not None and not known.cleared:
            return condition
        place, load = subject_of(self.memory, condition.key.resource)
        return replace(condition, cause=self.why(place, load)) if place else condition

    async def shelve(self) -> None:
        """Put alarms on their shelves, and take down those whose shelf has ended."""
        await self.tell(shelved(self.memory, self._clock.wall_s()))

    async def tell(self, changes: list[Change]) -> None:
        """Keep changes and the messages that they call for; the outbox sends them."""
        if changes:
            await self.telling.tell(changes)
            self._changed()
