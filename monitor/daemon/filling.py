"""The demo's past, written into a history as a running farpole would have written it."""

import asyncio
from collections.abc import Iterator, Sequence
from pathlib import Path

from monitor.alarms.book import Change
from monitor.alarms.callouts import about
from monitor.alarms.messages import Message
from monitor.daemon.deriving import feeder_rounds
from monitor.daemon.design import Design
from monitor.daemon.drifts import Drifts
from monitor.daemon.lock import HISTORY
from monitor.daemon.memory import Memory
from monitor.daemon.powering import held_watt_hours
from monitor.daemon.replaying import Replaying
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.records import Repair
from monitor.history.store import Store
from monitor.margins.night import Night
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan, SolarSupply
from monitor.simulation.faults import Visit
from monitor.simulation.past import DAY_S, DAYS, Past, past
from monitor.simulation.world import World

AT_ONCE = 4000
EVERY_S = 12 * 3600.0
"""How often the rounds look where nothing happens, so that they know what is usual."""
BEFORE_S, AFTER_S = 600.0, 3000.0
"""How long before and after something happens they look each time: an alarm is cleared within that."""


def fill_past(folder: Path, plan: Plan, sheets: Sheets, seed: int, until_s: float, story: Past) -> int:
    """Put fourteen months behind the demo: readings, alarms, callouts, what was noted; how many rounds that was."""
    data = folder / "data"
    data.mkdir(mode=0o750)
    design, kept, waiting = Design.of(plan, sheets), 0, list[Round]()
    world = World(plan, seed, until_s - 60 - DAYS * DAY_S)
    derived, told, drifts = _Derived(design), _Told(world, design, story, until_s), Drifts(design)
    with Store(data / HISTORY) as store, asyncio.Runner() as runner:

        def note(visit: Visit) -> None:
            store.repaired(Repair(visit.at_s, visit.pole, "owner", visit.words))

        for rounds in past(world, until_s - 60, story, note):
            runner.run(told.look())
            made = [*rounds, *derived.of(rounds)]
            drifts.take(made)
            waiting += made
            if len(waiting) > AT_ONCE:
                store.keep(waiting)
                kept += len(waiting)
                waiting.clear()
        store.keep(waiting)
        record(store, [*told.changes(), *drifts.changes(story.visits, until_s)], told.messages())
    return kept + len(waiting)


class _Told:
    """The daemon's own rounds over the same world: what they would have raised, cleared and told people."""

    def __init__(self, world: World, design: Design, story: Past, until_s: float) -> None:
        self._world, self._replaying = world, Replaying(world, design)
        self._marks, self._looked_s = story.marks(world.now_s, until_s), 0.0
        self._waiting, self._seen = list[Message](), 0

    async def look(self) -> None:
        """Look each time around what happens, and now and then between."""
        now_s = self._world.now_s
        close = any(mark - BEFORE_S <= now_s <= mark + AFTER_S for mark in self._marks)
        if close or now_s - self._looked_s >= EVERY_S:
            self._looked_s = now_s
            self._leave(now_s)
            await self._replaying.look()

    def _leave(self, now_s: float) -> None:
        """Messages whose time has come have gone: whoever was called is told when it is over."""
        memory, waiting = self._replaying.memory, list[Message]()
        for one in (*self._waiting, *self._replaying.kept.messages[self._seen :]):
            if one.not_before_s > now_s:
                waiting.append(one)
                continue
            standing = {about(alarm.key) for alarm in memory.book.raised() if not alarm.root}
            key = f"{one.resource} {one.type}"
            if one.kind == "all clear" or key in standing:
                memory.told[one.person, key] = one.kind != "all clear"
        self._waiting, self._seen = waiting, len(self._replaying.kept.messages)

    def changes(self) -> list[Change]:
        """Of alarms, oldest first."""
        return self._replaying.kept.changes

    def messages(self) -> list[Message]:
        """That these called for."""
        return self._replaying.kept.messages


def record(store: Store, changes: Sequence[Change], messages: Sequence[Message]) -> None:
    """Keep changes in their order, each message with the change that called for it.

    One whose alarm was over before it might leave stays behind and is withdrawn by that; the others have gone.
    """
    over: dict[tuple[str, str], list[float]] = {}
    for change in changes:
        if change.what in ("cleared", "linked"):
            over.setdefault((change.alarm.key.resource, change.alarm.key.type), []).append(change.at_s)
    waiting = sorted(messages, key=lambda one: one.happened_s)
    for change in sorted(changes, key=lambda one: one.at_s):
        mine = [one for one in waiting if one.happened_s <= change.at_s]
        waiting = waiting[len(mine) :]
        sent_s = {one: one.not_before_s for one in mine if not _too_late(one, over.get((one.resource, one.type), []))}
        store.record([change], mine, sent_s)


def _too_late(message: Message, over_s: Sequence[float]) -> bool:
    ends = any(message.happened_s <= at_s < message.not_before_s for at_s in over_s)
    return message.kind == "callout" and ends


class _Derived:
    """What the daemon derives from readings as they come: feeders' loops, what batteries hold."""

    def __init__(self, design: Design) -> None:
        self._memory, plan = Memory(design), design.plan
        self._banks: dict[str, tuple[SolarSupply, Night, Layout]] = {}
        for supply in plan.supplies:
            if isinstance(supply, SolarSupply):
                at = resources.supply(supply.name)
                night = Night(supply.battery.volts * supply.battery.amp_hours)
                self._banks[at] = (supply, night, Layout(at, "night", (Slot(at, "held_watt_hours"),)))

    def of(self, rounds: Sequence[Round]) -> Iterator[Round]:
        """The rounds that follow from these."""
        for readings in rounds:
            self._memory.latest.take(readings)
        for readings in rounds:
            device = readings.layout.device
            if device.endswith("/switch"):
                made = feeder_rounds(self._memory, resources.place_of(device), readings)
                for one in made:
                    self._memory.latest.take(one)
                yield from made
            elif device in self._banks:
                yield from self._held(readings)

    def _held(self, readings: Round) -> Iterator[Round]:
        supply, night, layout = self._banks[readings.layout.device]
        held = held_watt_hours(night, supply, self._memory.design.sheets, readings)
        if held is not None:
            made = Round.blank(layout, readings.at_s, State.SILENT)
            made.put(0, held)
            yield made
