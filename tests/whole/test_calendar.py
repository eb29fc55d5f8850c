"""The daemon itself under a clock that is turned: what its calendar owes to people arrives, on the days it should.

Mail goes to a real SMTP server (aiosmtpd), callouts and the sign of life to real HTTP servers, on loopback; agents and
cameras are those of the simulated site. Only the clock is turned by hand: nine days in steps of ten minutes.
"""

import asyncio
import email
import email.policy
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import Envelope

from monitor.alarms.book import Key
from monitor.daemon.clock import HandClock
from monitor.daemon.demo import lay_out, open_site
from monitor.daemon.files import as_yaml
from monitor.daemon.memory import Memory
from monitor.daemon.run import Daemon
from monitor.daemon.schedule import Schedule
from monitor.history.store import Store
from monitor.plan.parts import Plan, Reviews, SignOfLife
from monitor.simulation.live import LiveSite
from monitor.simulation.receiver import Receiver
from tests.notify.test_carrier import free_port

pytestmark = pytest.mark.whole

SYDNEY = ZoneInfo("Australia/Sydney")
STEP_S = 600.0
LONGEST_S = 60.0
"""So long the jobs of one step may take in real time; the review is made by a process of its own."""
ROUNDS = {"reach_s": 3600.0, "measure_s": 3600.0, "audit_s": 21_600.0, "hold_s": 1.0}


class Outside:
    """Who takes mail, callouts and the sign of life, and counts them by the site's day."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.mail: list[tuple[str, str]] = []
        self.phone: list[tuple[str, str]] = []
        self.signs: list[str] = []
        self.receiver = Receiver(lambda title, _: self.phone.append((self._when(), title)))

    def _when(self) -> str:
        return datetime.fromtimestamp(self.clock.wall_s(), SYDNEY).strftime("%m-%d %H:%M")

    async def handle_DATA(self, server: Any, session: Any, envelope: Envelope) -> str:
        letter = email.message_from_bytes(envelope.content or b"", policy=email.policy.default)
        self.mail.append((self._when(), str(letter["Subject"])))
        return "250 OK"

    async def life(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            head = await reader.readuntil(b"\r\n\r\n")
            self.signs.append(head.split(b"\r\n")[0].decode())
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
            await writer.drain()
        writer.close()

    def letters(self, words: str) -> list[str]:
        """When mail came whose subject says so."""
        return [when for when, subject in self.mail if words in subject]


def sending() -> list[asyncio.Task[Any]]:
    """Lanes of the outbox in which something is under way."""
    return [task for task in asyncio.all_tasks() if task.get_name().startswith("to ")]


class Turned:
    """A daemon in this process, its site, and the clock of both."""

    def __init__(self, daemon: Daemon, site: LiveSite, clock: HandClock, outside: Outside) -> None:
        self.daemon, self.site, self.clock, self.outside = daemon, site, clock, outside
        self.schedules: list[Schedule] = []

    async def begun(self, running: asyncio.Task[None]) -> None:
        """Until the schedule waits for its first tick."""
        async with asyncio.timeout(30):
            while not self.clock._sleepers:
                if running.done():
                    running.result()
                await asyncio.sleep(0.01)

    async def days(self, days: float) -> None:
        for _ in range(int(days * 86_400 / STEP_S)):
            await self.clock.turn(STEP_S)
            self.site.step(self.clock.wall_s())
            await self._done()

    async def _done(self) -> None:
        """Until each job that was started has come to its end, with what it sends: time stands still meanwhile."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + LONGEST_S
        jobs = [one.task for at in self.schedules for one in at.jobs]
        while under_way := [task for task in (*jobs, *sending()) if task is not None and not task.done()]:
            assert loop.time() < until_s, f"{under_way[0].get_name()} does not end"
            await asyncio.wait(under_way, timeout=1)

    @property
    def memory(self) -> Memory:
        assert self.daemon.rounds is not None
        return self.daemon.rounds.memory

    def standing(self) -> set[Key]:
        return {alarm.key for alarm in self.memory.book.raised()}


@pytest.fixture
def clock() -> HandClock:
    return HandClock(datetime(2026, 10, 30, 5, 2, tzinfo=SYDNEY).timestamp())


@pytest.fixture
def postbox(clock: HandClock) -> Iterator[tuple[Outside, int]]:
    outside, port = Outside(clock), free_port()
    controller = Controller(outside, hostname="127.0.0.1", port=port)
    controller.start()
    yield outside, port
    controller.stop()


def unfilmed(plan: Plan) -> Plan:
    """A look at a camera takes seconds that no hand turns, and is none of the calendar's."""
    poles = []
    for pole in plan.poles:
        loads = [load.model_copy(update={"stream": None, "onvif_port": None}) for load in pole.loads]
        poles.append(pole.model_copy(update={"loads": loads}))
    return plan.model_copy(update={"poles": poles})


def write_secrets(file: Path, mail_port: int, hook_port: int, life_port: int) -> None:
    mail = {"kind": "mail", "server": "127.0.0.1", "port": mail_port, "security": "none"}
    mail |= {"sender": "farpole@tarrow.example", "to": ["owner@tarrow.example"]}
    hook = {"kind": "webhook", "url": f"http://127.0.0.1:{hook_port}/callout"}
    switches = {"kind": "snmpv2c", "community": "farm-word"}
    life = {"kind": "text", "value": f"http://127.0.0.1:{life_port}/alive"}
    secrets = {"tarrow-switches": switches, "tarrow-owner-phone": hook, "tarrow-owner-mail": mail, "life": life}
    file.write_text(as_yaml({"secrets": secrets}), encoding="utf-8")


@pytest.fixture
async def turned(
    tmp_path: Path, tarrow: Plan, clock: HandClock, postbox: tuple[Outside, int], monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Turned]:
    outside, port = postbox
    await outside.receiver.open()
    life = await asyncio.start_server(outside.life, "127.0.0.1", 0)
    wanted = {
        "reviews": Reviews(to=["tarrow-owner-mail"]),
        "sign_of_life": SignOfLife(url_secret="life", every_minutes=60),
    }
    site = await open_site(unfilmed(tarrow).model_copy(update=wanted), "farm-word", 1, clock.wall_s(), ROUNDS)
    settings = lay_out(tmp_path, site.plan, "farm-word", outside.receiver.port, None)
    assert settings.secrets_file is not None
    write_secrets(settings.secrets_file, port, outside.receiver.port, life.sockets[0].getsockname()[1])
    made = Turned(Daemon(settings, clock), site, clock, outside)

    class Watched(Schedule):
        """The daemon's own schedule, which tells the test that it is there."""

        def __post_init__(self) -> None:
            super().__post_init__()
            made.schedules.append(self)

    monkeypatch.setattr("monitor.daemon.timetable.Schedule", Watched)
    monkeypatch.setattr("monitor.daemon.schedule.TICK_S", STEP_S)
    running = asyncio.create_task(made.daemon.run())
    await made.begun(running)
    yield made
    made.daemon.stopping.set()
    await running
    site.close()
    outside.receiver.close()
    life.close()


async def test_what_the_calendar_owes_arrives_on_its_days(turned: Turned) -> None:
    outside = turned.outside
    await turned.days(9)
    mornings = [f"10-{day} 06:" for day in (30, 31)] + [f"11-0{day} 06:" for day in range(1, 8)]
    assert [when[:9] for when in outside.letters("morning letter")] == mornings
    assert [when[:5] for when in outside.letters("review of 2026-10")] == ["11-01"]
    assert [when[:8] for when in outside.letters("test message")] == ["10-30 05"], "letters prove the way to the others"
    tests = [when[:8] for when, title in outside.phone if "test message" in title]
    assert tests == ["10-30 05", "11-06 05"]
    every_minutes = turned.memory.plan.sign_of_life.every_minutes if turned.memory.plan.sign_of_life else 0
    assert set(outside.signs) == {"GET /alive HTTP/1.1"}
    assert len(outside.signs) == pytest.approx(9 * 24 * 60 / max(every_minutes, STEP_S / 60), abs=2)
    assert not [key for key in turned.standing() if key.type in ("job-failed", "callouts-not-going-out")]
    assert turned.schedules[0].failed == ""
    kept(turned)


def kept(turned: Turned) -> None:
    """What fold, judgement and audit have left in the history."""
    store = turned.daemon.settings.data / "history.sqlite"
    with Store(store) as history:
        days = {
            day for day, _ in history._look(lambda c: c.exec_driver_sql("select day, series from rollup_day").all())
        }
        features = history._look(lambda c: c.exec_driver_sql("select count(*) from feature_day").scalar_one())
        stations = Counter(resource for _, resource, _ in history.notes("station"))
    assert len(days) == 9, "each day that is over is folded"
    assert features > 0
    assert turned.memory.verdicts, "the nightly judgement was made"
    assert stations, "the audit has remembered who is at which port"
    newest_s = min(turned.memory.audited.values())
    assert turned.clock.wall_s() - newest_s < ROUNDS["audit_s"] + STEP_S


async def test_a_letter_that_cannot_be_written_is_an_alarm_until_it_is(
    turned: Turned, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr("monitor.daemon.letters.letter", lambda *_: 1 / 0)
        await turned.days(0.1)
        failed = [key for key in turned.standing() if key.type == "job-failed"]
        assert [key.qualifier.split()[0] for key in failed] == ["letter"]
        assert turned.outside.letters("morning letter") == []
    await turned.days(0.1)
    assert not [key for key in turned.standing() if key.type == "job-failed"]
    assert len(turned.outside.letters("morning letter")) == 1
