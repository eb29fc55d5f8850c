"""The daemon: everything wired together, from taking the data directory to a clean stop."""

import asyncio
import contextlib
import logging
import os
import signal
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.alarms.book import without
from monitor.daemon.acting import Acting
from monitor.daemon.asking import Asking
from monitor.daemon.auditing import STATION
from monitor.daemon.ballast import quota_octets
from monitor.daemon.clock import Clock, SystemClock
from monitor.daemon.design import Design
from monitor.daemon.desk import Desk
from monitor.daemon.drilling import Drilling
from monitor.daemon.files import load_plan
from monitor.daemon.keeper import Keeper
from monitor.daemon.lock import HISTORY, held
from monitor.daemon.memory import Memory
from monitor.daemon.post import Post, accounts_of
from monitor.daemon.rounds import OPTIC, Rounds
from monitor.daemon.schedule import Schedule
from monitor.daemon.secrets import (
    Secrets,
    load_secrets,
    needed,
    sign_of_life_url,
    snmp_credentials,
    stream_logins,
    weak,
)
from monitor.daemon.systemd import notify, watchdog_s
from monitor.daemon.timetable import listen, timetable, without_answer
from monitor.daemon.tongues import load_tongues
from monitor.daemon.version import own_version
from monitor.daemon.watching import Watching, ended_badly
from monitor.devices.ask import icmp
from monitor.devices.ask.snmp import Community, User
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.facts.words import say
from monitor.history.store import NotKept
from monitor.notify.carrier import Carrier
from monitor.plan.text import NotRight
from monitor.show.door import key_of
from monitor.show.serve import Serving
from monitor.show.web import application

log = logging.getLogger(__name__)

SOCKET = "farpole.sock"


class CannotStart(RuntimeError):
    """The daemon cannot run here; the message is one clear line."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Where everything is. ``page`` is the address and port of the page, or None for no page."""

    plan_file: Path
    data: Path
    secrets_file: Path | None
    page: tuple[str, int] | None = ("127.0.0.1", 8460)
    history_gb: float | None = None
    """What the history may take; None for half of the disk."""
    history_url: str | None = None
    """A PostgreSQL that keeps the history instead of a file in the data directory."""


class Daemon:
    """One running farpole."""

    def __init__(self, settings: Settings, clock: Clock | None = None) -> None:
        self.settings, self.clock = settings, clock or SystemClock()
        self.desk = Desk(self.clock, own_version())
        self.stopping = asyncio.Event()
        self._reload = asyncio.Event()
        self._stack = contextlib.ExitStack()
        self._ping_note: tuple[str, ...] = ()
        self.rounds: Rounds | None = None
        self._ended = ""

    def read(self) -> tuple[Design, Secrets]:
        """The plan, its datasheets and its secrets; raises NotRight with everything that is wrong."""
        plan, sheets = load_plan(self.settings.plan_file)
        secrets = load_secrets(self.settings.secrets_file, os.environ, needed(plan))
        return Design.of(plan, sheets, load_tongues(self.settings.plan_file)), secrets

    async def run(self) -> None:
        """Run until stopped. Raises NotRight for bad input, before anything is started, and CannotStart."""
        design, secrets = self.read()
        with self._stack:
            sockets = self._take(self.settings)
            quota = quota_octets(self.settings.data, self.settings.history_gb)
            keeper = Keeper(self.settings.data / HISTORY, self.clock, quota, self.settings.history_url)
            try:
                await keeper.open()
            except NotKept as error:
                raise CannotStart(f"the history cannot be opened: {error}") from None
            serving = Serving(application(self.desk, own_version()), sockets)
            memory = await self._remembered(design, keeper)
            self._signals()
            try:
                await self._seasons(memory, secrets, keeper, serving)
            finally:
                self.desk.closing.set()
                self.desk.changed()
                await serving.close()
                await keeper.ask(lambda store: store.note(self.clock.wall_s(), "stop", "farpole", "stopped"))
                await keeper.close()
                log.info("stopped; everything is written")

    # ---- start

    def _take(self, settings: Settings) -> list[socket.socket]:
        """Make the data directory ours and bind every socket, or say in one line why that cannot be."""
        data = settings.data
        try:
            self._stack.enter_context(held(data))
        except BlockingIOError:
            raise CannotStart(f"another farpole already runs on {data}") from None
        except OSError as error:
            raise CannotStart(f"the data directory {data} cannot be written: {error.strerror}") from None
        return [self._command_socket(data / SOCKET), *self._page_socket(settings)]

    def _command_socket(self, path: Path) -> socket.socket:
        with contextlib.suppress(FileNotFoundError):
            path.unlink()  # the lock is ours, so nobody listens on what lies there
        bound = socket.socket(socket.AF_UNIX)
        try:
            bound.bind(str(path))
        except OSError as error:
            bound.close()
            raise CannotStart(f"the command socket {path} cannot be opened: {error}") from None
        path.chmod(0o660)
        self._stack.callback(lambda: path.unlink(missing_ok=True))
        return bound

    def _page_socket(self, settings: Settings) -> Iterator[socket.socket]:
        if settings.page is None:
            return
        try:
            yield socket.create_server(settings.page)
        except OSError as error:
            host, port = settings.page
            log.error("no page: %s:%d cannot be opened (%s); monitoring goes on without it", host, port, error.strerror)

    async def _remembered(self, design: Design, keeper: Keeper) -> Memory:
        """Memory seeded from history: alarms that stand, who was told, the newest readings."""
        memory, now_s = Memory(design, answer_key=key_of(self.settings.data / "answer.key")), self.clock.wall_s()
        for readings in await keeper.ask(lambda store: store.newest(now_s - 86_400)):
            memory.latest.take(readings)
        alarms = await keeper.ask(lambda store: store.alarms())
        memory.book = type(memory.book)({alarm.key: alarm for alarm in alarms})
        memory.told = await keeper.ask(lambda store: store.told())
        memory.called = await keeper.ask(lambda store: store.called())
        memory.shelves = await keeper.ask(lambda store: store.shelves())
        memory.known = {(port, mac) for _, port, mac in await keeper.ask(lambda store: store.notes(STATION))}
        memory.serials = {optic: serial for _, optic, serial in await keeper.ask(lambda store: store.notes(OPTIC))}
        starts = await keeper.ask(lambda store: store.notes("start"))
        stops = await keeper.ask(lambda store: store.notes("stop"))
        self._ended = ended_badly(starts[-1][0] if starts else None, stops[-1][0] if stops else None)
        await keeper.ask(lambda store: store.note(now_s, "start", "farpole", f"started, version {own_version()}"))
        allowed = await icmp.permitted()
        if allowed is not True:
            log.warning("%s; ping is not asked", allowed)
            self._ping_note = (say("ping is not asked: {why}", why=allowed),)
        return memory

    def _signals(self) -> None:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stopping.set)
        loop.add_signal_handler(signal.SIGHUP, self._reload.set)

    # ---- run

    async def _seasons(self, memory: Memory, secrets: Secrets, keeper: Keeper, serving: Serving) -> None:
        """Run one plan after the other: a reload ends a season and begins the next with what is known."""
        while not self.stopping.is_set():
            credentials = snmp_credentials(memory.plan, secrets)
            asking = Asking(AnyAsker(), credentials, self.clock, not self._ping_note)
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
            self._own_jobs(schedule, rounds, acting, secrets)
            self.desk.acting = acting
            receiver, deaf = listen(
                memory, snmp_credentials(memory.plan, secrets), schedule, asking, self.settings.data
            )
            book, gone = without(memory.book, memory.design.resources(), self.clock.wall_s())
            memory.book = book
            await rounds.tell(gone)
            self._noted(memory, credentials, deaf)
            self.desk.opened(rounds)
            self.desk.about_itself = lambda: self._itself(schedule, keeper, asking)  # noqa: B023  # this season's own
            if serving.task is None:
                await serving.start()
                log.info("watching %s: %d poles", memory.plan.site.name, len(memory.plan.poles))
                notify("READY=1")
                await rounds.step([rounds.own("started-after-failure", self._ended)])
            try:
                memory, secrets = await self._season(schedule, memory, secrets)
            finally:
                asking.close()
                if receiver is not None:
                    await receiver.close()

    def _noted(self, memory: Memory, credentials: dict[str, Community | User], deaf: tuple[str, ...]) -> None:
        """What people should know of how this plan is carried out."""
        own_notes = (*memory.design.not_carried_out(), *weak(credentials))
        memory.notes = (*self._ping_note, *own_notes, *deaf)
        for note in own_notes:
            log.warning("%s", note)

    def _own_jobs(self, schedule: Schedule, rounds: Rounds, acting: Acting, secrets: Secrets) -> None:
        """What the daemon does for itself, and what it acts on by itself."""
        plan = rounds.memory.plan
        url = sign_of_life_url(plan, secrets)
        watching = Watching(rounds, self.clock, self.settings.data, lambda: schedule.late, url)
        every_s = min(300.0, watchdog_s() or 300.0)
        schedule.every("watch", every_s, without_answer(watching.look), 20.0)
        if plan.sign_of_life is not None:
            schedule.every("sign of life", plan.sign_of_life.every_minutes * 60, without_answer(watching.tell), 10.0)
        schedule.every("act", 10.0, without_answer(acting.revive), 12.0)
        schedule.closing.append(acting.close)
        self.desk.drilling = Drilling(rounds, rounds.keeper, self.clock)
        schedule.every("drill", 2.0, without_answer(self.desk.drilling.look), 2.0)

    async def _season(self, schedule: Schedule, memory: Memory, secrets: Secrets) -> tuple[Memory, Secrets]:
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
                    self._reload.clear()
                    new = self._reread(memory)
                    if new is not None:
                        return new
        finally:
            ticking.cancel()
            await asyncio.gather(ticking, return_exceptions=True)
        return memory, secrets

    def _reread(self, memory: Memory) -> tuple[Memory, Secrets] | None:
        """The memory under the new plan, or None where it is not right: the old one then runs on."""
        try:
            design, secrets = self.read()
        except (NotRight, ValueError) as error:
            log.error("the plan was not taken, the old one runs on:\n%s", error)
            return None
        log.info("the plan was taken: %d poles", len(design.plan.poles))
        watches = {place: watch for place, watch in memory.watches.items() if place in design.places}
        return Memory(
            design,
            memory.latest,
            watches,
            margins={},
            book=memory.book,
            before=memory.before,
            told=memory.told,
            called=memory.called,
            answer_key=memory.answer_key,
            shelves=memory.shelves,
            known=memory.known,
            norms=memory.norms,
            serials=memory.serials,
            visits=memory.visits,
            record=memory.record,
        ), secrets

    async def _write(self, rounds: Rounds, keeper: Keeper) -> None:
        await keeper.flush()
        await rounds.step([rounds.own("history-not-written", keeper.trouble)])
        self.desk.changed()

    def _itself(self, schedule: Schedule, keeper: Keeper, asking: Asking) -> dict[str, Any]:
        return {
            "version": own_version(),
            "plan": str(self.settings.plan_file.resolve()),
            "late_rounds": schedule.late,
            "clock_jumps": schedule.jumps,
            "last_failure": schedule.failed,
            "not_written": keeper.waiting,
            "dropped": keeper.dropped,
            "history_trouble": keeper.trouble,
            "snmp_not_believed": asking.rejected,
        }
