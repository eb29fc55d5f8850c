"""People are told side by side: who cannot be reached keeps no message from anybody else, and none goes twice.

A real SMTP port that takes connections and never says a word, a real HTTP server for the others; real time.
"""

import asyncio
import json
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import cast

import pytest

from monitor.alarms.messages import Message
from monitor.daemon.asking import Asking
from monitor.daemon.clock import SystemClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.post import Post
from monitor.daemon.rounds import Rounds
from monitor.daemon.schedule import Schedule
from monitor.history.store import NotKept, Store
from monitor.notify.carrier import Carrier, MailAccount, WebhookAddress
from tests.notify.counterparts import Gateway, deaf, gateway


class Desk:
    """An outbox that is looked at each second by the schedule, as the daemon does it."""

    def __init__(self, design: Design, keeper: Keeper, deaf_port: int, there: Gateway) -> None:
        self.clock, self.keeper, self.there = SystemClock(), keeper, there
        mail = MailAccount("127.0.0.1", deaf_port, "none", "farpole@tarrow.example", ("jo@tarrow.example",))
        hook = WebhookAddress(f"http://127.0.0.1:{there.port}/hook")
        self.rounds = Rounds(Memory(design), cast("Asking", None), keeper, self.clock, lambda: None)
        self.post = Post(self.rounds, keeper, Carrier({"deaf": mail, "hook": hook}), self.clock)
        self.schedule = Schedule(self.clock, design.zone)

        async def send() -> None:
            await self.post.send()

        self.schedule.every("send", 1.0, send, 0.0, a_round=False)

    async def put(self, *to: str) -> None:
        now_s = self.clock.wall_s()
        words = [(one, f"{one} {i}") for i, one in enumerate(to)]
        messages = [Message(one, one, "test", "Tarrow", "test", said, said, now_s, now_s) for one, said in words]
        await self.keeper.record([], messages)

    def came(self) -> list[str]:
        return [json.loads(one.body)["title"] for one in self.there.heard]

    async def until(self, count: int, seconds: float) -> float:
        """How long it took until so many had come [s]."""
        began_s = time.monotonic()
        for _ in range(int(seconds / 0.02)):
            if len(self.came()) >= count:
                break
            await asyncio.sleep(0.02)
        return time.monotonic() - began_s


@pytest.fixture
async def desk(design: Design, tmp_path: Path) -> AsyncIterator[Desk]:
    keeper = Keeper(tmp_path / "history.sqlite", SystemClock())
    await keeper.open()
    with deaf() as port, gateway() as there:
        made = Desk(design, keeper, port, there)
        running = asyncio.create_task(made.schedule.run())
        yield made
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        await made.post.close()
    await keeper.close()


async def test_who_never_answers_keeps_nobody_else_waiting(desk: Desk) -> None:
    await desk.put("deaf", "hook", "deaf", "hook")
    assert await desk.until(2, 10) < 2
    await desk.put("hook")  # also what comes while the other is still under way
    assert await desk.until(3, 10) < 2
    assert desk.came() == ["hook 1", "hook 3", "hook 0"], "each once, and in order"


async def test_also_while_nothing_can_be_written(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """And whatever else wants to be kept meanwhile does not wait for the one who never answers."""

    def full(self: Store, change: object) -> None:
        raise NotKept("history.sqlite: database or disk is full", "full")

    monkeypatch.setattr("monitor.daemon.ballast.give_back", lambda data: False)
    with monkeypatch.context() as patch:
        patch.setattr(Store, "_act", full)
        await desk.put("deaf", "hook")
        assert await desk.until(1, 10) < 2
        began_s = time.monotonic()
        await desk.put("hook")
        assert time.monotonic() - began_s < 1
        assert await desk.until(2, 10) < 2
    await asyncio.sleep(1.5)
    assert desk.came() == ["hook 1", "hook 0"]
    await desk.post.close()
    await desk.keeper.flush()
    waiting = await desk.keeper.ask(lambda store: store.due(4e9))
    assert [one.message.to for one in waiting] == ["deaf"], "it is written, and waits; what went is not sent again"


async def test_what_is_under_way_at_the_end_of_a_season_goes_once(desk: Desk) -> None:
    """A reload while a gateway takes half a second: the message is taken down as sent before the next season begins."""
    taken: list[str] = []

    async def slow(to: str, title: str, body: str, attachment: str) -> str | None:
        await asyncio.sleep(0.5)
        taken.append(title)
        return None

    desk.post._lanes._send = slow
    await desk.put("hook", "hook", "hook")
    await desk.post.send()
    await asyncio.sleep(0.1)
    await desk.post.close()
    waiting = await desk.keeper.ask(lambda store: store.due(4e9))
    assert taken == ["hook 0"]
    assert [one.message.subject for one in waiting] == ["hook 1", "hook 2"]
