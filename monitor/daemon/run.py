"""The daemon: everything wired together, from taking the data directory to a clean stop."""

import asyncio
import contextlib
import logging
import os
import signal
import socket
import ssl
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from monitor.alarms.book import without
from monitor.daemon import descriptors
from monitor.daemon.acting import Acting
from monitor.daemon.asking import Asking
from monitor.daemon.ballast import quota_octets
from monitor.daemon.clock import Clock, SystemClock
from monitor.daemon.design import Design
from monitor.daemon.desk import Desk
from monitor.daemon.ending import end
from monitor.daemon.files import load_plan
from monitor.daemon.home import Home
from monitor.daemon.itself import about
from monitor.daemon.keeper import Keeper
from monitor.daemon.lock import HISTORY
from monitor.daemon.logs import tell_left_out
from monitor.daemon.memory import Memory
from monitor.daemon.own_jobs import own_jobs
from monitor.daemon.page import HERE, Page
from monitor.daemon.post import Post, accounts_of
from monitor.daemon.remembering import caught_up, remembered, renamed, under
from monitor.daemon.rounds import Rounds
from monitor.daemon.schedule import Schedule
from monitor.daemon.secrets import (
    Secrets,
    load_secrets,
    machines,
    needed,
    people,
    snmp_credentials,
    stream_logins,
    weak,
)
from monitor.daemon.sockets import CannotStart
from monitor.daemon.systemd import notify
from monitor.daemon.timetable import listen, timetable
from monitor.daemon.to_centre import Centre, ToCentre
from monitor.daemon.tongues import load_tongues
from monitor.daemon.trimming import few_arenas, trim
from monitor.daemon.version import own_version
from monitor.daemon.watching import ended_badly
from monitor.devices.ask import icmp
from monitor.devices.ask.snmp import Community, User
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.facts.words import say
from monitor.history.store import NotKept
from monitor.notify.carrier import Carrier
from monitor.plan.text import NotRight
from monitor.show import charts_print
from monitor.show.entrance import Entrance
from monitor.show.porch import Room
from monitor.show.serve import Serving
from monitor.show.ways import By, Way
from monitor.show.web import application

log = logging.getLogger(__name__)

SETTLES_S = 1.0
"""How long after a first request to read the plan anew others are waited for."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Where everything is. ``page`` says where the page is served; None: nowhere."""

    plan_file: Path
    data: Path
    secrets_file: Path | None
    page: Page | None = HERE
    history_gb: float | None = None
    """What the history may take; None for half of the disk."""
    history_url: str | None = None
    """A PostgreSQL that keeps the history instead of a file in the data directory."""
    centre: Centre | None = None
    """To which centre the site reports; None: to none."""


class Daemon:
    """One running farpole."""

    def __init__(self, settings: Settings, clock: Clock | None = None) -> None:
        self.settings, self.clock = settings, clock or SystemClock()
        self.desk = Desk(self.clock, own_version())
        self.desk.plan_file = str(settings.plan_file)
        self.stopping = asyncio.Event()
        self._reload = asyncio.Event()
        self._stack = contextlib.ExitStack()
        self._ping_note: tuple[str, ...] = ()
        self.rounds: Rounds | None = None
        self._ended = ""
        self._home = Home(settings.data)
        self._unknown = False
        """Has nothing been read yet of the history, because it cannot be had?"""
        self.entrance: Entrance
        self.tls: ssl.SSLContext | None = None
        self._cutting: asyncio.Task[None] | None = None
        self.reporting: ToCentre
        self._started_s = self.clock.monotonic_s()

    def read(self) -> tuple[Design, Secrets]:
        """The plan, its datasheets and its secrets; raises NotRight with everything that is wrong, and ValueError."""
        plan, sheets = load_plan(self.settings.plan_file)
        secrets = load_secrets(self.settings.secrets_file, os.environ, needed(plan))
        Carrier(accounts_of(secrets))  # what can never be sent to is told now, not when the season begins
        return Design.of(plan, sheets, load_tongues(self.settings.plan_file)), secrets

    async def run(self) -> None:
        """Run until stopped. Raises NotRight for bad input, before anything is started, and CannotStart."""
        few_arenas()
        descriptors.raise_limit()
        design, secrets = self.read()
        page = self.settings.page or HERE
        self.reporting = ToCentre(self.settings.centre, secrets, self.clock, self.desk)
        self.entrance, self.tls = page.entrance(secrets, self.clock.monotonic_s), page.tls()
        with self._stack:
            command, pages = self._home.take(self._stack, self.settings.page)
            quota = quota_octets(self.settings.data, self.settings.history_gb)
            history = self.settings.data / HISTORY
            keeper = Keeper(history, self.clock, quota, self.settings.history_url, self._home.claim.take)
            try:
                await keeper.open()
            except NotKept as error:  # no matter of the disk
                raise CannotStart(f"the history cannot be opened: {error}") from None
            await self.before(design, secrets, keeper)
            serving = self._served(command, pages, page.room(descriptors.for_page(design)))
            await renamed(design, keeper)
            await self._begun(keeper)
            self._unknown = not keeper.readable
            memory = await self._remembered(design, keeper)
            self._signals()
            try:
                await self._seasons(memory, secrets, keeper, serving)
            finally:
                await self._close(serving, keeper)

    def _served(self, command: list[socket.socket], pages: list[socket.socket], room: Room) -> list[Serving]:
        """One application, behind each way in."""
        app = application(self.desk, own_version(), self.entrance)
        by_page = By(app, Way.PAGE)
        return [
            Serving(By(app, Way.COMMAND), command, room=descriptors.COMMANDS),
            *(Serving(by_page, [one], self.tls, room) for one in pages),
        ]

    async def _close(self, serving: list[Serving], keeper: Keeper) -> None:
        await self._end_charts()
        await self.reporting.end()
        self.desk.closing.set()
        self.desk.changed()
        await asyncio.gather(*(one.close() for one in serving))
        await keeper.event(self.clock.wall_s(), "stop", "farpole", "stopped")
        await keeper.close()
        log.info("stopped%s", "; everything is written" if not keeper.waiting else "")

    async def before(self, design: Design, secrets: Secrets, keeper: Keeper) -> None:
        """What comes before the first season; nothing where nobody else shares the site."""

    def joined(self, rounds: Rounds, schedule: Schedule) -> None:
        """What each season needs beside its own jobs; nothing where nobody else shares the site."""

    # ---- start

    async def _begun(self, keeper: Keeper) -> None:
        """Write down that a run begins, how the last one ended, and whether ping may be asked."""
        if keeper.readable:
            starts = await keeper.ask(lambda store: store.notes("start"))
            stops = await keeper.ask(lambda store: store.notes("stop"))
            self._ended = ended_badly(starts[-1][0] if starts else None, stops[-1][0] if stops else None)
        await keeper.event(self.clock.wall_s(), "start", "farpole", f"started, version {own_version()}")
        allowed = await icmp.permitted()
        if allowed is not True:
            log.warning("%s; ping is not asked", allowed)
            self._ping_note = (say("ping is not asked: {why}", why=allowed),)

    async def _remembered(self, design: Design, keeper: Keeper) -> Memory:
        return await remembered(design, keeper, self._home.answer_key(), self.clock.wall_s())

    def _signals(self) -> None:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stopping.set)
        loop.add_signal_handler(signal.SIGHUP, self._reload.set)

    # ---- run

    async def _seasons(self, memory: Memory, secrets: Secrets, keeper: Keeper, serving: list[Serving]) -> None:
        """Run one plan after the other: a reload ends a season and begins the next with what is known."""
        while not self.stopping.is_set():
            credentials = snmp_credentials(memory.plan, secrets)
            asking = Asking(AnyAsker(), credentials, self.clock, not self._ping_note)
            asking.pulse.begin()
            rounds = self.rounds = Rounds(memory, asking, keeper, self.clock, self.desk.changed)
            post = Post(rounds, keeper, Carrier(accounts_of(secrets)), self.clock)
            acting = Acting(rounds, keeper, self.clock, credentials)
            schedule = timetable(
                rounds,
                keeper,
                post,
                self.clock,
                lambda rounds=rounds: self._write(rounds, keeper),  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name
                stream_logins(memory.plan, secrets),
            )
            own_jobs(schedule, rounds, acting, secrets, self.settings, self.desk, self.reporting)
            self.joined(rounds, schedule)
            self.desk.acting = acting
            receiver, deaf = listen(
                memory, snmp_credentials(memory.plan, secrets), schedule, asking, self.settings.data
            )
            book, gone = without(memory.book, memory.design.resources(), self.clock.wall_s())
            memory.book = book
            await rounds.tell(gone)
            self._noted(memory, credentials, deaf)
            self.desk.opened(rounds)
            self._about(schedule, keeper, asking, post, memory)
            await self._started(serving, rounds, keeper)
            try:
                memory, secrets = await self._season(schedule, memory, secrets, keeper)
            finally:
                await post.close()
                asking.close()
                if receiver is not None:
                    await receiver.close()

    async def _started(self, serving: list[Serving], rounds: Rounds, keeper: Keeper) -> None:
        """Once, when the first season begins."""
        if serving[0].task is not None:
            return
        await asyncio.gather(*(one.start() for one in serving))
        log.info("watching %s: %d poles", rounds.memory.plan.site.name, len(rounds.memory.plan.poles))
        notify("READY=1")
        self._cutting = asyncio.create_task(self._charts(), name="charts")
        self.reporting.begin(keeper)
        await rounds.step([rounds.own("started-after-failure", self._ended)])
        trim()  # what reading the plan has left free

    def _about(self, *whole: *tuple[Schedule, Keeper, Asking, Post, Memory]) -> None:
        itself = partial(about, self.settings.plan_file, self._started_s, *whole)
        self.desk.about_itself = lambda: itself() | self.entrance.door.told() | self.reporting.told()

    async def _end_charts(self) -> None:
        if self._cutting is not None:
            await end([self._cutting])

    async def _charts(self) -> None:
        """What draws charts in the browser is cut out once, at the first start."""
        if self.settings.page is not None:
            self.desk.bundle = await charts_print.cut_out(self.settings.data)

    def _noted(self, memory: Memory, credentials: dict[str, Community | User], deaf: tuple[str, ...]) -> None:
        """What people should know of how this plan is carried out."""
        self.reporting.planned(self.settings.plan_file)
        own_notes = (*memory.design.not_carried_out(), *weak(credentials))
        memory.notes = (*self._ping_note, *own_notes, *deaf)
        for note in own_notes:
            log.warning("%s", note)

    async def _season(
        self, schedule: Schedule, memory: Memory, secrets: Secrets, keeper: Keeper
    ) -> tuple[Memory, Secrets]:
        ticking = asyncio.create_task(schedule.run(), name="schedule")
        try:
            while not self.stopping.is_set():
                waits = [asyncio.ensure_future(event.wait()) for event in (self.stopping, self._reload)]
                await asyncio.wait([ticking, *waits], return_when=asyncio.FIRST_COMPLETED)
                for one in waits:
                    one.cancel()
                if ticking.done():
                    ticking.result()
                if self._reload.is_set():
                    await self.clock.sleep(SETTLES_S)  # several requests at once are one
                    self._reload.clear()
                    new = await self._reread(memory)
                    if new is not None and await renamed(new[0].design, keeper):
                        return await self._remembered(new[0].design, keeper), new[1]
                    if new is not None:
                        return new
        finally:
            ticking.cancel()
            await asyncio.gather(ticking, return_exceptions=True)
        return memory, secrets

    def _let_in(self, secrets: Secrets) -> None:
        """Go by changed passwords, tokens and a renewed certificate; raises NotRight."""
        page = self.settings.page or HERE
        page.entrance(secrets, self.clock.monotonic_s)
        self.entrance.door.replaced(people(secrets), machines(secrets))
        if self.tls is not None:
            page.reload(self.tls)

    async def _reread(self, memory: Memory) -> tuple[Memory, Secrets] | None:
        """The memory under the new plan, or None where it is not right: the old one then runs on."""
        try:
            design, secrets = await asyncio.to_thread(self.read)  # it takes seconds, and rounds go on meanwhile
            self._let_in(secrets)
        except (NotRight, ValueError) as error:
            log.error("the plan was not taken, the old one runs on:\n%s", error)
            return None
        log.info("the plan was taken: %d poles", len(design.plan.poles))
        return under(memory, design), secrets

    async def _write(self, rounds: Rounds, keeper: Keeper) -> None:
        await keeper.flush()
        if self._unknown and keeper.readable:
            await caught_up(rounds.memory, keeper)
            self._unknown = False
        await rounds.step([rounds.own("history-not-written", keeper.trouble)])
        self.desk.changed()
        tell_left_out()
