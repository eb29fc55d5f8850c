"""The jobs: ask → decode → keep → judge → step → tell. Each is short; what it decides, others have computed."""

import logging
from collections.abc import Callable, Iterable
from dataclasses import replace

from monitor.alarms import conditions, evidence, silence
from monitor.alarms.book import Change, Condition, Key, concerns, step
from monitor.alarms.cause import Cause, cause_of
from monitor.alarms.gather import Silence, Subject, gather, of_return
from monitor.alarms.grouping import STRUCK, of_poles, rooted
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.settlement import Settlement
from monitor.alarms.silence import Sight
from monitor.daemon import descriptors
from monitor.daemon.asking import Asking, OwnFault
from monitor.daemon.clock import Clock
from monitor.daemon.deriving import (
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
from monitor.daemon.polling import OPTIC, Polling
from monitor.daemon.telling import Telling
from monitor.devices.ask.snmp import Answer
from monitor.devices.questions import MEASURE, Device
from monitor.facts import resources
from monitor.facts.readings import Round, Slot
from monitor.margins.judge import Margin

log = logging.getLogger(__name__)

SILENT = "pole-silent"
SILENCES = frozenset((SILENT, "supply-lost", "head-end-silent"))

__all__ = ["OPTIC", "Rounds"]


class Rounds(Polling):
    """The jobs over one memory."""

    def __init__(
        self, memory: Memory, asking: Asking, keeper: Keeper, clock: Clock, changed: Callable[[], None]
    ) -> None:
        super().__init__(memory, asking, keeper, clock)
        self.link_changed: Callable[[str], None] = lambda place: None
        self.drilled: Callable[[Sight], Iterable[Condition]] = lambda sight: ()
        self.telling = Telling(memory, keeper, clock)
        self._unasked_told = 0
        self._changed = changed

    async def read(self, device: Device, tier: str, readings: Round, before: Round | None, answer: Answer) -> None:
        """What follows from one tier of one device, whoever has asked it."""
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

    async def seen(self, sight: Sight, rounds: list[Round], services: dict[str, bool]) -> None:
        """What follows from one look at a place, whoever has looked."""
        self._keep(rounds)
        memory, now_s, device = self.memory, self._clock.wall_s(), self.memory.design.switch_of(sight.place)
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
            *conditions.of_silence(topology, memory.watches, explained, self._why(SILENT), self._settled),
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

    def why(self, place: str) -> Cause:
        """The most probable cause of the first alarm that stands there; where none does, or nobody looks for causes of
        such alarms, of whatever is seen there now."""
        first = next((alarm for alarm in self.memory.book.raised() if concerns(alarm, place)), None)
        subject = subject_of(self.memory, first.key) if first is not None else None
        return self._cause(subject or Subject(place))

    def _why(self, kind: str) -> Callable[[str], Cause]:
        """Place → the most probable cause of an alarm of this type there."""
        return lambda place: self._cause(subject_of(self.memory, Key(place, kind)) or Subject(place))

    def _cause(self, subject: Subject) -> Cause:
        memory, now_s = self.memory, self._clock.wall_s()
        known = gather(memory, subject, now_s)
        if subject.of_silence and subject.place in memory.explained.roots:
            memory.silences[subject.place] = Silence(known.signs, known.lines)
        return cause_of(known.signs, known.contexts, known.lines, memory.record, subject.shown_by)

    def _settled(self, pole: str) -> Settlement | None:
        memory, now_s = self.memory, self._clock.wall_s()
        alarm = memory.book.alarms.get(Key(pole, "pole-silent"))
        if alarm is None or alarm.cleared:
            return None  # there is nothing to settle
        return evidence.settlement(pole, memory.latest, memory.before.get(pole), memory.watches[pole], now_s)

    def own(self, kind: str, trouble: str) -> Condition:
        """A condition of the program itself."""
        return Condition(Key(resources.ITSELF, kind), INVENTORY[kind].severity if trouble else None, trouble)

    async def own_faults(self) -> None:
        """Tell at once that sockets could not be opened."""
        count = self.asking.unasked[OwnFault.SOCKETS]
        if count > self._unasked_told:
            self._unasked_told = count
            await self.step([self.own("sockets-short", descriptors.too_few(self.memory.design, failed=True))])

    # ---- the book

    async def step(self, found: Iterable[Condition]) -> None:
        """Step the book; keep what has changed and tell people."""
        memory = self.memory
        now_s = self._clock.wall_s()
        matters = list(filter(memory.book.minds, found))
        memory.book, changes = step(memory.book, map(self._caused, rooted(matters, memory.book, memory.plan)), now_s)
        if changes:
            memory.book, more = step(memory.book, of_poles(memory.plan, memory.book, self._why(STRUCK)), now_s)
            changes += more + shelved(memory, now_s)
        self._forget_silences()
        await self.tell(changes)

    def _caused(self, condition: Condition) -> Condition:
        """The condition with the most probable cause of it, by what is seen now; at its end with what that tells."""
        if condition.cause is not None or condition.root:
            return condition
        subject = subject_of(self.memory, condition.key)
        if subject is None:
            return condition
        if condition.severity is not None:
            return replace(condition, cause=self._cause(subject))
        known = of_return(self.memory, subject.place, self._clock.wall_s()) if subject.of_silence else None
        if known is None:
            return condition
        memory, scope = self.memory, subject.shown_by
        return replace(condition, cause=cause_of(known.signs, known.contexts, known.lines, memory.record, scope))

    def _forget_silences(self) -> None:
        """What was seen in a silence explains that silence only: it goes with its alarm."""
        memory = self.memory
        stand = {alarm.key.resource for alarm in memory.book.raised() if alarm.key.type in SILENCES}
        memory.silences = {
            place: seen for place, seen in memory.silences.items() if place in stand or place in memory.explained.roots
        }

    async def shelve(self) -> None:
        """Put alarms on their shelves, and take down those whose shelf has ended."""
        await self.tell(shelved(self.memory, self._clock.wall_s()))

    async def tell(self, changes: list[Change]) -> None:
        """Keep changes and the messages that they call for; the outbox sends them."""
        if changes:
            await self.telling.tell(changes)
            self._changed()
