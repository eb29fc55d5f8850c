"""A daemon that shares its site with others: it helps to ask until the alarm book is free, then it is the one."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Iterable
from contextlib import suppress

from monitor.alarms.silence import Sight, look
from monitor.daemon import passing
from monitor.daemon.asking import Asking, OwnFault
from monitor.daemon.clock import Clock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.polling import Polling
from monitor.daemon.rounds import Rounds
from monitor.daemon.run import Daemon, Settings
from monitor.daemon.schedule import Schedule
from monitor.daemon.secrets import Secrets, snmp_credentials
from monitor.daemon.sharing import Sharing
from monitor.daemon.sockets import CannotStart
from monitor.daemon.timetable import asking_jobs, without_answer
from monitor.devices.ask import icmp
from monitor.devices.ask.snmp import Answer, Outcome
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.devices.questions import REACH, Device
from monitor.facts import resources
from monitor.facts.readings import Round
from monitor.history.store import NotKept
from monitor.show.serve import Serving

log = logging.getLogger(__name__)

HEARD_S = 0.25
BACK_S = 86_400.0


class Helping(Polling):
    """Asks, keeps what it reads, and passes on what follows from it."""

    def __init__(self, memory: Memory, asking: Asking, keeper: Keeper, clock: Clock) -> None:
        super().__init__(memory, asking, keeper, clock)
        self._waiting: list[bytes] = []
        self._unasked_said = 0

    async def seen(self, sight: Sight, rounds: list[Round], services: dict[str, bool]) -> None:
        """One look at a place; it is remembered here only to know how soon to ask again."""
        self._keep(rounds)
        self.memory.watches[sight.place] = look(self.memory.watches[sight.place], sight)
        await self._pass_on(passing.of_look(sight, rounds, services))

    async def read(self, device: Device, tier: str, readings: Round, before: Round | None, answer: Answer) -> None:
        """One tier of one device."""
        self._keep([readings])
        await self._pass_on(passing.of_tier(device.name, tier, readings, answer.outcome is Outcome.REFUSED))

    async def own_faults(self) -> None:
        """The holder of the book tells of its own; here the log does."""
        count = self.asking.unasked[OwnFault.SOCKETS]
        if count > self._unasked_said:
            log.warning("%d questions could not be asked: no socket could be opened", count - self._unasked_said)
            self._unasked_said = count

    async def _pass_on(self, body: bytes) -> None:
        """Leave it with the rounds that it belongs to; what cannot be left now goes with the next."""
        self._waiting.append(body)
        await self.keeper.flush()
        waiting = list(self._waiting)
        try:
            await self.keeper.ask(lambda store: store.pass_on(waiting))
        except NotKept as error:
            log.error("what was seen could not be passed on: %s", error)
            del self._waiting[:-10_000]
            return
        del self._waiting[: len(waiting)]


class SharedDaemon(Daemon):
    """One of several."""

    sharing: Sharing

    async def before(self, design: Design, secrets: Secrets, keeper: Keeper) -> None:
        """Help until the book is ours."""
        if keeper.in_a_file:
            raise CannotStart("several can share a history in PostgreSQL only: --share needs --history URL")
        self.sharing = Sharing(keeper, self.clock, design.places)
        leasing = asyncio.create_task(self.sharing.run(), name="leases")
        self._stack.callback(leasing.cancel)
        self._signals()
        while not self.stopping.is_set() and not self.sharing.holds_book:
            schedule = await self._helping(design, secrets, keeper)
            ticking = asyncio.create_task(schedule.run(), name="schedule")
            try:
                await self._until_ours(ticking)
            finally:
                ticking.cancel()
                await asyncio.gather(ticking, return_exceptions=True)
            if self._reload.is_set():
                self._reload.clear()
                with suppress(
                    ValueError
                ):  # a plan that is not right: the old one runs on, as the holder of the book says
                    design, secrets = await asyncio.to_thread(self.read)
                    self.sharing.places(design.places)

    async def _helping(self, design: Design, secrets: Secrets, keeper: Keeper) -> Schedule:
        memory = Memory(design)
        may_ping = await icmp.permitted() is True
        asking = Asking(AnyAsker(), snmp_credentials(design.plan, secrets), self.clock, may_ping)
        asking.pulse.begin()
        polling = Helping(memory, asking, keeper, self.clock)
        schedule = Schedule(self.clock, design.zone)
        asking_jobs(schedule, polling)
        schedule.closing.append(asking.close)
        schedule.every("write", 5.0, without_answer(keeper.flush), 2.0, a_round=False)
        self._join(polling, schedule, keeper)
        log.info("helping to ask %s", design.plan.site.name)
        return schedule

    async def _until_ours(self, ticking: "asyncio.Task[None]") -> None:
        while not (self.stopping.is_set() or self.sharing.holds_book or self._reload.is_set()):
            self.sharing.changed.clear()
            waits = [asyncio.ensure_future(e.wait()) for e in (self.stopping, self._reload, self.sharing.changed)]
            await asyncio.wait([ticking, *waits], return_when=asyncio.FIRST_COMPLETED)
            for one in waits:
                one.cancel()
            if ticking.done():
                ticking.result()

    async def _close(self, serving: list[Serving], keeper: Keeper) -> None:
        await self.sharing.end()
        await super()._close(serving, keeper)

    def _join(self, polling: Polling, schedule: Schedule, keeper: Keeper) -> None:
        """Ask what is ours only; a place that has come to us is asked when its next round is due."""
        polling.mine = self.sharing.mine
        reach_s = polling.memory.plan.rounds.reach_s
        tasks: set[asyncio.Task[None]] = set()

        async def due(places: list[str]) -> None:
            names = {resources.switch(place): place for place in places}
            now_s = self.clock.wall_s()
            last = await keeper.ask(lambda store: store.last_rounds(list(names), REACH, now_s - BACK_S))
            for device, place in names.items():
                schedule.put(f"reach {place}", max(0.0, last.get(device, 0.0) + reach_s - now_s))

        def taken(places: list[str]) -> None:
            task = asyncio.create_task(due(places))
            tasks.add(task)
            task.add_done_callback(tasks.discard)

        self.sharing.taken = taken

    def joined(self, rounds: Rounds, schedule: Schedule) -> None:
        """The book is ours: hear what the others pass on, and stop where it is ours no more."""
        self._join(rounds, schedule, rounds.keeper)
        schedule.every("heard", HEARD_S, self._hears(rounds), HEARD_S, a_round=False)

    def _hears(self, rounds: Rounds) -> Callable[[], Awaitable[float | None]]:
        async def heard() -> None:
            if not self.sharing.holds_book:
                log.error("the alarm book is kept elsewhere now; this process stops")
                self.stopping.set()
                return
            left_out = await hear(rounds, await rounds.keeper.ask(lambda store: store.passed()))
            if left_out:
                log.error("%d looks that were passed on here could not be read, or are of nothing here", left_out)

        return without_answer(heard)


async def hear(rounds: Rounds, bodies: Iterable[bytes]) -> int:
    """What follows from what the others have seen; how many of it could not be read, or are of another plan."""
    left_out = 0
    for body in bodies:
        try:
            told = passing.opened(body)
        except passing.Unreadable as error:
            log.debug("what was passed on: %s", error)
            left_out += 1
            continue
        if "look" in told and told["look"][0].place in rounds.memory.watches:
            await rounds.seen(*told["look"])
        elif "tier" in told and told["tier"][0] in rounds.memory.design.devices:
            name, tier, readings, refused = told["tier"]
            device = rounds.memory.design.devices[name]
            answer = Answer(Outcome.REFUSED if refused else Outcome.OK, {}, "")
            await rounds.read(device, tier, readings, rounds.memory.latest.newest(name, tier), answer)
        else:
            left_out += 1
    return left_out


def daemon_of(settings: Settings, shared: bool) -> Daemon:
    """The daemon for these settings."""
    return SharedDaemon(settings) if shared else Daemon(settings)
