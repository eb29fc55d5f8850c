"""Looks at cameras become readings, alarms and no more octets than a day allows."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.silence import Watch
from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.daemon.streaming import Streaming
from monitor.devices.ask import rtsp
from monitor.devices.ask.snmp import Community
from monitor.devices.decode.rtp import Seen
from monitor.devices.decode.rtsp_login import Refusal
from monitor.devices.questions import loads_of
from monitor.facts.readings import Slot
from monitor.facts.streams import StreamState
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from tests.devices.fake import TableAgent

CAMERA = "creek/load/creek-gate-camera"


@pytest.fixture
async def cameras(tarrow: Plan, sheets: Sheets, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Any]:
    document = tarrow.model_dump(by_alias=True)
    document["poles"][0]["loads"][0]["reach"] = ["icmp", "rtsp"]
    plan = Plan.model_validate(document)
    clock = HandClock()
    keeper = Keeper(tmp_path / "h.sqlite", clock)
    memory = Memory(Design.of(plan, sheets))
    await keeper.open()
    asking = Asking(TableAgent({}), {"switches": Community("x")}, clock, may_ping=False)
    rounds = Rounds(memory, asking, keeper, clock, lambda: None)

    class Cameras:
        looked: list[float] = []
        seen = Seen("media", "", 6000.0, 15.0, 0.0, 2_250_000)

        async def look(self, stream: rtsp.Stream, for_s: float, over: str) -> Seen:
            self.looked.append(for_s)
            return self.seen if for_s or self.seen.broken else Seen("description", octets=2000)

        async def check(self) -> set[str]:
            await streaming.check(next(load for load in loads_of(plan)["creek"] if load.stream))
            return {str(alarm.key) for alarm in memory.book.raised()}

        def words(self) -> str:
            return "; ".join(alarm.text for alarm in memory.book.raised())

        def value(self, quantity: str) -> float | None:
            reading = memory.latest.reading(Slot(CAMERA, quantity))
            return reading.value if reading else None

        def turn(self, seconds: float) -> Any:
            return clock.turn(seconds)

        def pole(self, **watch: Any) -> None:
            memory.watches["creek"] = Watch(**watch)

    async def reached(place: str) -> None:
        """The pole is as the test says, however often it is asked."""

    monkeypatch.setattr(rounds, "reach", reached)
    memory.watches["creek"] = Watch(back_since_s=0.0)
    streaming, made = Streaming(rounds, {}, clock), Cameras()
    made.looked = []
    monkeypatch.setattr(rtsp, "look", made.look)
    yield made
    await keeper.close()


async def test_a_stream_that_is_alive(cameras: Any) -> None:
    assert await cameras.check() == set()
    assert cameras.value("stream_state") == 1
    assert cameras.value("stream_kilobits_per_s") == 6000


@pytest.mark.parametrize(
    ("layer", "state"),
    [("tcp", 2), ("rtsp", 3), ("login", 4), ("description", 5), ("setup", 6), ("play", 7), ("media", 8)],
)
async def test_each_broken_layer_has_its_number_and_is_one_alarm(cameras: Any, layer: str, state: int) -> None:
    cameras.seen = Seen(layer, "because")
    await cameras.check()
    assert await cameras.check() == {f"{CAMERA} stream-broken"}
    assert cameras.value("stream_state") == state
    cameras.seen = Seen("media", "", 6000.0, 15.0, 0.0, 0)
    assert await cameras.check() == set()


@pytest.mark.parametrize(
    ("refusal", "state", "words"),
    [
        (Refusal.WRONG, StreamState.LOG_IN_REFUSED, "it refuses our name or password"),
        (Refusal.IN_CLEAR, StreamState.PASSWORD_IN_CLEAR, "it asks for the password in clear (Basic)"),
        (Refusal.UNKNOWN_WAY, StreamState.LOG_IN_UNKNOWN, "a way of logging in that farpole does not know"),
    ],
)
async def test_why_a_log_in_does_not_come_about_is_a_fact_of_the_alarm(
    cameras: Any, refusal: Refusal, state: StreamState, words: str
) -> None:
    cameras.seen = Seen("login", "because", refusal=refusal)
    await cameras.check()
    assert await cameras.check() == {f"{CAMERA} stream-broken"}
    assert cameras.value("stream_state") == state
    assert words in cameras.words()


async def test_what_lies_behind_a_silent_pole_is_unknown_and_not_broken(cameras: Any) -> None:
    """One event, one message: the camera behind a dead pole is no fault of its own, nor is one that still starts."""
    cameras.seen = Seen("tcp", "no connection")
    for watch in ({"misses": 1, "back_since_s": 0.0}, {"back_since_s": HandClock().wall_s() - 10}):
        cameras.pole(**watch)
        for _ in range(5):
            assert await cameras.check() == set()
    assert cameras.value("stream_state") is None
    cameras.pole(back_since_s=0.0)
    await cameras.check()
    assert await cameras.check() == {f"{CAMERA} stream-broken"}


async def test_a_frozen_picture_is_thin(cameras: Any) -> None:
    cameras.seen = Seen("media", "", 90.0, 15.0, 0.0, 0)
    await cameras.check()
    assert await cameras.check() == {f"{CAMERA} stream-thin"}


async def test_looks_are_spread_over_the_day_by_what_they_cost(cameras: Any) -> None:
    """60 MB a day at 2.25 MB a look is a look each 54 minutes; between them only the description is asked."""
    for _ in range(96):  # a day of quarters of an hour
        await cameras.check()
        await cameras.turn(900)
    looks = sum(for_s > 0 for for_s in cameras.looked)
    assert 24 <= looks <= 28
    assert cameras.looked[-8:] != [0.0] * 8, "the evening is looked at as well"


async def test_what_was_not_looked_at_is_not_zero(cameras: Any) -> None:
    await cameras.check()
    await cameras.check()
    assert cameras.looked == [3.0, 0.0]
    assert cameras.value("stream_state") == 1
    assert cameras.value("stream_kilobits_per_s") != 0
