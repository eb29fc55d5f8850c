"""A real SMTP server (aiosmtpd, RFC 5321) that refuses, is slow, and is down for six hours: nothing lost or twice."""

import asyncio
import email
import email.policy
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, cast

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import Envelope

from monitor.alarms.book import Condition, Key
from monitor.alarms.states import Severity
from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.post import Post
from monitor.daemon.rounds import Rounds
from monitor.notify.carrier import Carrier, MailAccount
from tests.notify.test_carrier import free_port

POLES = ("creek", "woolshed", "yards")


class Postmaster:
    """Takes letters, refuses them, or lets them wait."""

    def __init__(self) -> None:
        self.subjects, self.bodies = list[str](), list[str]()
        self.answer, self.slow_s = "250 OK", 0.0

    async def handle_DATA(self, server: Any, session: Any, envelope: Envelope) -> str:
        await asyncio.sleep(self.slow_s)
        if self.answer.startswith("250"):
            letter = email.message_from_bytes(cast("bytes", envelope.content), policy=email.policy.default)
            self.subjects.append(str(letter["Subject"]))
            self.bodies.append(letter.get_content())
        return self.answer


class Farmhouse:
    """An outbox, its clock, and the line to a real server."""

    def __init__(self, design: Design, keeper: Keeper, clock: HandClock) -> None:
        self.clock, self.port, self.master = clock, free_port(), Postmaster()
        to = {one.to for one in design.plan.callouts}
        account = MailAccount("127.0.0.1", self.port, "none", "farpole@tarrow.example", ("jo@tarrow.example",))
        self.rounds = Rounds(Memory(design), cast("Asking", None), keeper, clock, lambda: None)
        self.post = Post(self.rounds, keeper, Carrier(dict.fromkeys(to, account)), clock)
        self.server: Controller | None = None

    def up(self) -> None:
        self.server = Controller(self.master, hostname="127.0.0.1", port=self.port)
        self.server.start()

    def down(self) -> None:
        if self.server is not None:
            self.server.stop()
        self.server = None

    async def pole(self, pole: str, *, silent: bool) -> None:
        severity = Severity.CRITICAL if silent else None
        await self.rounds.step([Condition(Key(pole, "pole-silent"), severity, f"{pole} is silent.")])

    async def minutes(self, minutes: float) -> None:
        for _ in range(int(minutes)):
            await self.clock.turn(60)
            await self.post.send()
            await self.post.settled()


@pytest.fixture
async def house(design: Design, tmp_path: Path) -> AsyncIterator[Farmhouse]:
    clock = HandClock()
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    made = Farmhouse(design, keeper, clock)
    yield made
    made.down()
    await keeper.close()


async def test_down_for_six_hours_and_back(house: Farmhouse) -> None:
    for pole in POLES:
        await house.pole(pole, silent=True)
        await house.minutes(30)
    await house.pole("yards", silent=False)
    await house.minutes(270)
    assert "farpole callouts-not-going-out" in {str(a.key) for a in house.rounds.memory.book.raised()}
    house.up()
    await house.minutes(30)
    calls = [one for one in house.master.subjects if "all clear" not in one and "callouts" not in one]
    assert calls == [f"Tarrow Downs: {pole} silent" for pole in POLES], "each once, in the order in which they happened"
    assert [one for one in house.master.subjects if one.endswith("all clear") and "yards" in one] == [
        "Tarrow Downs: yards silent – all clear"
    ], "what went out late is told of as over, after it"
    assert house.master.subjects.index("Tarrow Downs: yards silent") < house.master.subjects.index(
        "Tarrow Downs: yards silent – all clear"
    )
    late = house.master.bodies[house.master.subjects.index("Tarrow Downs: creek silent")]
    assert late.startswith("Happened ")
    assert "could not leave until" in late.splitlines()[0]


async def test_refused_for_an_hour(house: Farmhouse) -> None:
    house.up()
    house.master.answer = "451 4.3.0 try again later"
    await house.pole("creek", silent=True)
    await house.minutes(60)
    assert house.master.subjects == []
    house.master.answer = "250 OK"
    await house.minutes(15)
    assert house.master.subjects.count("Tarrow Downs: creek silent") == 1


async def test_slow_and_not_sent_twice(house: Farmhouse) -> None:
    house.up()
    house.master.slow_s = 2.0
    await house.pole("creek", silent=True)
    await house.minutes(3)
    assert house.master.subjects == ["Tarrow Downs: creek silent"]
