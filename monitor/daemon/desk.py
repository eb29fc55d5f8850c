"""The desk: fills what the page, the API and the commands need from the running daemon."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from monitor.alarms.book import Key, operate
from monitor.alarms.shelves import Shelf, until_of
from monitor.alarms.states import Operator
from monitor.daemon.acting import Acting, CannotAct
from monitor.daemon.auditing import accept
from monitor.daemon.clock import Clock
from monitor.daemon.desk_views import Views
from monitor.daemon.drilling import CannotDrill, Drilling
from monitor.daemon.rounds import Rounds
from monitor.daemon.standing import AtThePole
from monitor.daemon.turning_up import TurningUp
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.history.records import Repair
from monitor.history.store import NotKept, Store
from monitor.show.links import Answer, NotValid, read
from monitor.show.picture import alarm_view, compose
from monitor.show.ports import Line, Refused
from monitor.show.views import AlarmView, Picture

STILL_HERE_S = 15.0

FOR_EVER_S = 1e11


class Desk(Views):
    """The running site, for whoever looks at it or acts on it."""

    def __init__(self, clock: Clock, version: str) -> None:
        super().__init__(clock)
        self._version = version
        self._rounds: Rounds | None = None
        self._listeners: set[asyncio.Event] = set()
        self.closing = asyncio.Event()
        self.acting: Acting | None = None
        self.drilling: Drilling | None = None
        self.standing: AtThePole | None = None
        self.turns: TurningUp | None = None
        self.bundle: Path | None = None
        """What draws charts in the browser, as one file."""
        self.about_itself: Callable[[], dict[str, Any]] = dict

    @property
    def rounds(self) -> Rounds:
        """The rounds in force."""
        if self._rounds is None:
            raise Refused("farpole is still starting")
        return self._rounds

    def opened(self, rounds: Rounds) -> None:
        """Look at these rounds from now on."""
        self._rounds = rounds
        self.changed()

    def listen(self, news: asyncio.Event) -> None:
        """Set this whenever something has changed."""
        self._listeners.add(news)

    def changed(self) -> None:
        """Something that is shown has changed."""
        for listener in self._listeners:
            listener.set()

    def picture(self) -> Picture:
        """How the site stands now."""
        return compose(self.rounds.memory, self._clock.wall_s(), self._version)

    def alarms(self) -> tuple[AlarmView, ...]:
        """All alarms, standing first."""
        return self.picture().alarms

    def places(self) -> frozenset[str]:
        """Names of the head-end, the poles and the supplies."""
        design = self.rounds.memory.design
        return frozenset((*design.places, *(f"supply/{supply.name}" for supply in design.plan.supplies)))

    async def operate(self, resource: str, kind: str, qualifier: str, wanted: str, who: str, note: str) -> AlarmView:
        """A person's act on an alarm."""
        memory = self.rounds.memory
        if wanted in (Operator.SHELVED.value, Operator.UNSHELVED.value):
            if Key(resource, kind, qualifier) not in memory.book.alarms:
                raise KeyError(resource)
            if wanted == Operator.SHELVED.value:
                await self.shelve(resource, kind, "", who, note)
            else:
                await self.unshelve(resource, kind)
            return alarm_view(memory.book.alarms[Key(resource, kind, qualifier)])
        try:
            book, change = operate(
                memory.book, Key(resource, kind, qualifier), Operator(wanted), who, note, self._clock.wall_s()
            )
        except ValueError as error:
            raise Refused(str(error)) from None
        memory.book = book
        if kind == "device-unknown" and wanted == Operator.CLOSED.value:
            await accept(memory, self.rounds.keeper, resource, qualifier, self._clock.wall_s())
        await self.rounds.tell([change])
        return alarm_view(change.alarm)

    def _answer(self, token: str) -> Answer:
        memory = self.rounds.memory
        try:
            answer = read(memory.answer_key, token, self._clock.wall_s())
        except NotValid as error:
            raise Refused(str(error)) from None
        alarm = memory.book.alarms.get(Key(answer.resource, answer.type, answer.qualifier))
        if alarm is None or alarm.raised_s != answer.raised_s:
            raise Refused("that alarm is over, or it was raised again since; see the page of the site")
        return answer

    def public_url(self) -> str | None:
        """How people reach signed links from outside."""
        return self._rounds.memory.plan.public_url if self._rounds else None

    def answering(self, token: str) -> tuple[str, AlarmView]:
        """Person and alarm of a signed link."""
        answer = self._answer(token)
        key = Key(answer.resource, answer.type, answer.qualifier)
        return answer.person, alarm_view(self.rounds.memory.book.alarms[key])

    async def answered(self, token: str) -> AlarmView:
        """Acknowledge by a signed link."""
        answer = self._answer(token)
        note = "by the link in a callout"
        return await self.operate(answer.resource, answer.type, answer.qualifier, "ack", answer.person, note)

    async def shelve(self, resource: str, kind: str, until: str, who: str, note: str) -> dict[str, Any]:
        """Shelve alarms of a resource or place; ``until`` as people write it, empty: until it is taken down."""
        memory, now_s = self.rounds.memory, self._clock.wall_s()
        if resources.place_of(resource) not in self.places() | {resources.ITSELF}:
            raise Refused(f"{resource!r} is nothing of this site")
        try:
            until_s = until_of(until, now_s, memory.design.zone) if until else FOR_EVER_S
        except ValueError as error:
            raise Refused(str(error)) from None
        if until_s <= now_s:
            raise Refused(f"{until} is past")
        shelf = Shelf(resource, kind, now_s, until_s, who, note)
        await self._kept(lambda store: store.shelve(shelf))
        return asdict(shelf)

    async def unshelve(self, resource: str, kind: str) -> int:
        """Take a shelf down."""
        now_s = self._clock.wall_s()
        return int(await self._kept(lambda store: store.end_shelf(resource, kind, now_s)))

    async def _kept(self, act: Callable[[Store], Any]) -> Any:
        """Keep something of the shelves, and go by it from now on."""
        rounds = self.rounds
        try:
            done = await rounds.keeper.ask(act)
            rounds.memory.shelves = await rounds.keeper.ask(lambda store: store.shelves())
        except NotKept as error:
            raise Refused(f"that could not be kept: {error}") from None
        await rounds.shelve()
        return done

    async def note(self, place: str, who: str, text: str) -> dict[str, Any]:
        """Keep what somebody did at a place; raises Refused where it cannot be kept now."""
        repair = Repair(self._clock.wall_s(), place, who, text)
        try:
            await self.rounds.keeper.ask(lambda store: store.repaired(repair))
        except NotKept as error:
            raise Refused(f"the note could not be kept: {error}") from None
        return asdict(repair)

    async def notes(self) -> list[dict[str, Any]]:
        """What has been done, oldest first."""
        return [asdict(one) for one in await self.rounds.keeper.ask(lambda store: store.repairs())]

    async def cycle(self, pole: str, port: str, who: str, why: str) -> dict[str, Any]:
        """Switch a port off and on, where nothing stands against it; it is on again when this ends."""
        if self.acting is None:
            raise Refused("farpole is still starting")
        try:
            await self.acting.cycle(pole, port, who, why)
        except CannotAct as error:
            raise Refused(str(error)) from None
        except NotKept as error:
            raise Refused(f"what was switched before is not known now: {error}") from None
        return {"pole": pole, "port": port, "done": True}

    async def drill(self, pole: str, fault: str, who: str, minutes: float) -> dict[str, Any]:
        """Begin a drill."""
        poles = [one.name for one in self.rounds.memory.plan.poles]
        if pole not in poles:
            raise Refused(f"{pole!r} is no pole of this site; there are {', '.join(poles)}")
        return await self._drill(lambda drilling: drilling.begin(pole, fault, who, minutes))

    async def drill_report(self) -> dict[str, Any]:
        """The steps of the last drill."""
        return await self._drill()

    async def _drill(self, act: Callable[[Drilling], Awaitable[None]] | None = None) -> dict[str, Any]:
        if self.drilling is None:
            raise Refused("farpole is still starting")
        try:
            if act is not None:
                await act(self.drilling)
            return await self.drilling.report()
        except (CannotDrill, NotKept) as error:
            raise Refused(str(error)) from None

    async def history(self, resource: str, quantity: str, from_s: float, to_s: float, points: int) -> Line:
        """A quantity between two times, from the history."""
        slot = Slot(resource, quantity)
        found = await self.rounds.keeper.ask(lambda store: store.series(slot, from_s, to_s, points))
        columns = (found.times_s.tolist(), found.lows.tolist(), found.means.tolist(), found.highs.tolist())
        return Line(*columns, int(found.missed.sum()), found.resolution_s, found.latest_resolution_s)

    @property
    def at_pole(self) -> AtThePole:
        """For whoever stands at a pole."""
        if self.standing is None:
            raise Refused("farpole is still starting")
        return self.standing

    async def done_at(self, pole: str) -> list[tuple[float, str, str, str]]:
        """What was done at a pole, newest first."""
        return await self.at_pole.done_at(pole)

    @property
    def turning_up(self) -> TurningUp:
        """For turning a pole up."""
        if self.turns is None:
            raise Refused("farpole is still starting")
        return self.turns

    def charts_file(self) -> Path:
        """What draws charts in the browser."""
        assert self.bundle is not None, "only where charts are ready"
        return self.bundle

    def charts_ready(self) -> bool:
        """Is there what draws charts in the browser?"""
        return self.bundle is not None and self.bundle.is_file()

    def itself(self) -> dict[str, Any]:
        """How the program itself is doing."""
        return self.about_itself()

    async def changes(self) -> AsyncIterator[str]:
        """Yields ``change`` whenever something has changed, and ``still here`` every 15 s."""
        listener = asyncio.Event()
        self._listeners.add(listener)
        try:
            while not self.closing.is_set():
                try:
                    async with asyncio.timeout(STILL_HERE_S):
                        await listener.wait()
                except TimeoutError:
                    yield "still here"
                    continue
                listener.clear()
                yield "change"
        finally:
            self._listeners.discard(listener)
