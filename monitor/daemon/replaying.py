"""The rounds of the daemon on the simulated world by a hand clock: months in seconds, the same judgement and callouts.

Only what carries bytes is replaced: what the agents would say comes as columns, nothing is written to a disk.
"""

from array import array
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from monitor.alarms import conditions
from monitor.alarms.book import Change
from monitor.alarms.messages import Message
from monitor.alarms.silence import Sight
from monitor.daemon.asking import OwnFault
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.devices.ask.snmp import Answer, Outcome
from monitor.devices.questions import MEASURE, REACH, Device, LoadToAsk, Script
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.simulation.columns import Columns
from monitor.simulation.world import World

OPEN = 1.0
REACHED = ("uptime_seconds", "link_state")
ALIVE, NO_CONNECTION, NOTHING_COMES = 1.0, 2.0, 8.0


@dataclass
class Kept:
    """A keeper that only remembers what people would be told."""

    changes: list[Change] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    trouble: str = ""

    def keep(self, rounds: Sequence[Round]) -> None:
        """Readings are not kept."""

    async def record(self, changes: Sequence[Change], messages: Sequence[Message]) -> None:
        """Changes and messages are."""
        self.changes += changes
        self.messages += messages

    async def event(self, at_s: float, kind: str, resource: str, words: str) -> None:
        """Events are not kept."""


class FromColumns:
    """Answers of the devices, taken from the columns of the world as it stands."""

    def __init__(self, world: World, clock: HandClock) -> None:
        self._world, self._clock = world, clock
        self.columns = Columns(world)
        self._layouts: dict[str, Layout] = {}
        self._loads = {
            resources.load(place, name): device
            for place, state in world.places.items()
            for name, device in state.devices.items()
        }
        self.now: dict[str, Round] = {}
        self.unasked: Counter[OwnFault] = Counter()
        """Nothing: here all can be asked."""

    def look(self) -> None:
        """Read every device once; all questions until the next look are answered from that."""
        self.now = {one.layout.device: one for one in self.columns.rounds()}

    async def round(self, device: Device, script: Script, hurry: bool = False) -> tuple[Round, Answer]:
        """One device's round: what a reachability round asks of a switch is not asked again by the other."""
        whole = self.now[device.name]
        seen = any(state == State.SEEN for state in whole.states)
        readings = whole if device.name.startswith("meter/") else self._part(whole, "measure")
        return readings, Answer(Outcome.OK if seen else Outcome.SILENT)

    async def place(
        self, device: Device, script: Script, loads: list[LoadToAsk], hurry: bool = False
    ) -> tuple[Sight, list[Round], dict[str, bool], Answer]:
        """A place in every way; ping is not asked."""
        _, answer = await self.round(device, script)
        readings = self._part(self.now[device.name], "reach")
        rounds, states = [readings], {}
        reachable = self._world.places[device.place].reachable
        for load in loads:
            if load.tcp_port is None:
                continue
            answers = reachable and self._loads[load.resource].answers
            states[load.name] = State.SEEN if answers else State.SILENT
            rounds.append(self._one(load.resource, "reach", {"tcp_state": OPEN if answers else None}))
        agent = State.SEEN if answer.outcome is Outcome.OK else State.SILENT
        return Sight(device.place, self._clock.wall_s(), agent, False, None, states), rounds, {}, answer

    def _part(self, whole: Round, tier: str) -> Round:
        """The part of a switch's columns that one tier asks for: uptime and links, or all the rest."""
        key = f"{whole.layout.device} {tier}"
        layout = self._layouts.get(key)
        if layout is None:
            reach = tier == "reach"
            slots = tuple(s for s in whole.layout.slots if (s.quantity in REACHED) == reach)
            layout = self._layouts[key] = Layout(whole.layout.device, tier, slots)
        at = [whole.layout.index[slot] for slot in layout.slots]
        values = array("d", [whole.values[i] for i in at])
        return Round(layout, whole.at_s, values, bytearray(whole.states[i] for i in at))

    def stream(self, load: LoadToAsk) -> Round:
        """A look at a camera."""
        device = self._loads[load.resource]
        rate = device.load.stream.kilobits_per_s if device.load.stream else 0.0
        state = ALIVE if device.sends else NOTHING_COMES if device.answers else NO_CONNECTION
        values = {"stream_state": state, "stream_kilobits_per_s": rate if state == ALIVE else None}
        if device.answers and not device.sends:  # a frozen picture still sends a little
            values = {"stream_state": ALIVE, "stream_kilobits_per_s": 0.01 * rate}
        if device.load.onvif_port and "onvif" in device.load.reach:
            values["clock_offset_seconds"] = device.clock_wrong_s if device.answers else None
        return self._one(load.resource, "stream", values)

    def _one(self, resource: str, tier: str, values: dict[str, float | None]) -> Round:
        slots = tuple(Slot(resource, quantity) for quantity in values)
        layout = self._layouts.get(f"{resource} {tier}")
        if layout is None or layout.slots != slots:
            layout = self._layouts[f"{resource} {tier}"] = Layout(resource, tier, slots)
        states = bytearray(State.SEEN if value is not None else State.SILENT for value in values.values())
        return Round(layout, self._clock.wall_s(), array("d", [value or 0.0 for value in values.values()]), states)


class FastRounds(Rounds):
    """Rounds that need not learn what a device has."""

    async def learn(self, device: Device) -> None:
        """Nothing to learn: the columns are whole."""
        self.memory.learnt.add(device.name)

    def _script(self, device: Device, tier: str) -> Script:
        columns = self.asking.columns  # type: ignore[attr-defined]  # FromColumns stands in its place
        layout = next(one for one in columns.layouts() if one.device == device.name)
        return Script(device.name, layout, (), ((1,),), (), ())


class Replaying:
    """The daemon's rounds over a world that somebody else moves on; ``look`` is everything that they do at a moment."""

    def __init__(self, world: World, design: Design, changed: Callable[[], None] = lambda: None) -> None:
        self.world = world
        self.clock, self.kept = HandClock(world.now_s), Kept()
        self.memory = Memory(design)
        self.asking = FromColumns(world, self.clock)
        self.rounds = FastRounds(self.memory, self.asking, self.kept, self.clock, changed)  # type: ignore[arg-type]  # stand-ins of the same shape

    async def look(self, streams: bool = True) -> None:
        """Everything that a round does, as the world stands."""
        self.clock.set_wall(self.world.now_s)
        self.asking.look()
        design = self.memory.design
        for device in design.meters:
            await self.rounds.ask(device, REACH)
        for place in design.places:
            await self.rounds.reach(place)
        for place in design.places:
            await self.rounds.ask(design.switch_of(place), MEASURE)
        for name, readings in self.asking.now.items():
            if name.startswith("supply/") and any(state == State.SEEN for state in readings.states):
                await self.rounds.take(readings, [])
        if streams:
            await self._streams()

    async def _streams(self) -> None:
        for loads in self.memory.design.loads.values():
            for load in loads:
                place = resources.place_of(load.resource)
                if (load.stream is None and load.onvif_port is None) or self.memory.watches[place].doubtful:
                    continue
                readings = self.asking.stream(load)
                found = list(conditions.of_stream(readings))
                if all(one.severity is None for one in found) or await self.rounds.stands(place):
                    await self.rounds.take(readings, found)
