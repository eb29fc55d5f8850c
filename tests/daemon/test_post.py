"""The outbox's job over a real store: sent once, a line that is down becomes an alarm, the morning letter."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, cast

import pytest

from monitor.alarms.book import Condition, Key
from monitor.alarms.settlement import Settlement
from monitor.alarms.states import Severity
from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.letters import Letters
from monitor.daemon.memory import Memory
from monitor.daemon.post import Post
from monitor.daemon.rounds import Rounds
from monitor.history.store import NotKept, Store
from monitor.notify.carrier import Carrier

SILENT = Key("creek", "pole-silent")


class Line:
    """A carrier that is up or down."""

    def __init__(self) -> None:
        self.down, self.sent = False, list[tuple[str, str, str]]()

    async def send(self, to: str, title: str, body: str, attachment: str = "") -> str | None:
        if self.down:
            return "connection refused"
        self.sent.append((to, title, body))
        return None


class Office:
    def __init__(self, rounds: Rounds, post: Post, line: Line, clock: HandClock) -> None:
        self.rounds, self.post, self.line, self.clock = rounds, post, line, clock

    async def pole(self, silent: bool) -> None:
        condition = Condition(
            SILENT, Severity.CRITICAL if silent else None, "creek is silent.", settlement=Settlement.PATH
        )
        await self.rounds.step([condition])

    async def later(self, seconds: float) -> None:
        await self.clock.turn(seconds)
        await self.post.send()
        await self.post.settled()

    @property
    def standing(self) -> set[str]:
        return {str(alarm.key) for alarm in self.rounds.memory.book.raised()}


@pytest.fixture
async def office(design: Design, tmp_path: Path) -> AsyncIterator[Office]:
    clock, line = HandClock(), Line()
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    rounds = Rounds(Memory(design), cast(Asking, None), keeper, clock, lambda: None)
    yield Office(rounds, Post(rounds, keeper, cast(Carrier, cast(Any, line)), clock), line, clock)
    await keeper.close()


async def test_held_sent_once_and_cleared(office: Office) -> None:
    await office.pole(silent=True)
    await office.later(29)
    assert office.line.sent == []
    await office.later(2)
    await office.later(60)
    assert [(to, title) for to, title, _ in office.line.sent] == [("tarrow-owner-phone", "Tarrow Downs: creek silent")]
    await office.pole(silent=False)
    await office.later(1)
    assert [title for _, title, _ in office.line.sent][1:] == ["Tarrow Downs: creek silent – all clear"]


async def test_what_heals_within_the_hold_wakes_nobody_and_stands_in_the_letter(office: Office) -> None:
    await office.pole(silent=True)
    await office.later(10)
    await office.pole(silent=False)
    await office.later(60)
    assert office.line.sent == []
    letters = Letters(office.rounds, office.rounds.keeper, office.clock)
    await letters.look(office.rounds.memory.plan.callouts[1], first=True)
    await office.later(1)
    ((to, title, body),) = office.line.sent
    assert (to, title) == ("tarrow-owner-mail", "Tarrow Downs: morning letter, 0 standing, 1 came and went")
    assert "creek silent (critical)" in body
    assert "10 s; it was the path" in body


async def test_a_dead_line_loses_nothing_is_an_alarm_and_the_message_says_its_age(office: Office) -> None:
    office.line.down = True
    await office.pole(silent=True)
    for _ in range(40):
        await office.later(30)
    assert "farpole callouts-not-going-out" in office.standing
    await office.pole(silent=False)
    office.line.down = False
    for _ in range(25):
        await office.later(30)
    titles = [title for _, title, _ in office.line.sent if "callouts" not in title]
    assert titles == ["Tarrow Downs: creek silent", "Tarrow Downs: creek silent – all clear"]
    assert office.line.sent[0][2].startswith("Happened ")
    assert "could not leave until" in office.line.sent[0][2]
    assert "farpole callouts-not-going-out" not in office.standing


async def disk_fails(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: Store, change: Any) -> None:
        raise NotKept("history.sqlite: database or disk is full", "full")

    monkeypatch.setattr(Store, "_act", full)


async def test_a_disk_that_takes_nothing_keeps_nobody_unaware_and_nothing_goes_twice(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The message waits in memory, leaves from there once its hold is over, and is written down as sent later."""
    monkeypatch.setattr("monitor.daemon.ballast.give_back", lambda data: False)
    with monkeypatch.context() as patch:
        await disk_fails(office, patch)
        await office.pole(silent=True)
        await office.later(20)
        assert office.line.sent == []
        for _ in range(60):
            await office.later(1)
        assert [title for _, title, _ in office.line.sent] == ["Tarrow Downs: creek silent"]
    for _ in range(30):
        await office.rounds.keeper.flush()
        await office.later(1)
    assert office.rounds.keeper.waiting == 0
    assert len(office.line.sent) == 1
    await office.pole(silent=False)
    await office.later(1)
    assert [title for _, title, _ in office.line.sent][1:] == ["Tarrow Downs: creek silent – all clear"]


async def test_what_heals_while_nothing_can_be_written_wakes_nobody(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.daemon.ballast.give_back", lambda data: False)
    with monkeypatch.context() as patch:
        await disk_fails(office, patch)
        await office.pole(silent=True)
        await office.later(10)
        await office.pole(silent=False)
        await office.later(60)
    await office.rounds.keeper.flush()
    await office.later(60)
    assert office.line.sent == []


async def test_what_has_gone_and_cannot_be_marked_does_not_go_again(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It stands in the outbox when the disk fills up: reading it still works, and marking it as sent does not."""
    await office.pole(silent=True)
    with monkeypatch.context() as patch:
        await disk_fails(office, patch)
        for _ in range(90):
            await office.later(1)
        assert len(office.line.sent) == 1
    for _ in range(10):
        await office.later(1)
    assert len(office.line.sent) == 1
    assert await office.rounds.keeper.ask(lambda store: store.due(4e9)) == []


async def test_a_flood_is_a_few_messages_that_name_everything(office: Office) -> None:
    """IEC 62682 and EEMUA 191: more than ten alarms in ten minutes are a flood. Thirty alarms within two minutes."""
    keys = [Key(f"office/optic/{i}", "light-low") for i in range(1, 31)]
    for i, key in enumerate(keys):
        for _ in range(3):
            await office.rounds.step([Condition(key, Severity.MAJOR, f"light of {key.resource}")])
        await office.later(4)
        assert len(office.line.sent) <= 12, i
    for _ in range(60):
        await office.later(5)
    assert len(office.line.sent) <= 14
    told = "\n".join(f"{title}\n{body}" for _, title, body in office.line.sent)
    for key in keys:
        assert key.resource in told
    waiting = await office.post._keeper.ask(lambda store: store.due(office.clock.wall_s() + 3600))
    assert waiting == []
