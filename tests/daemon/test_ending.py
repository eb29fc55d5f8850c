"""Tasks end even where something has kept a cancellation to itself."""

import asyncio
import logging

import pytest

from monitor.daemon import ending


async def test_one_that_keeps_a_cancellation_to_itself_is_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ending, "AGAIN_S", 0.05)
    asked: list[str] = []

    async def stubborn() -> None:
        while True:
            try:
                await asyncio.Event().wait()
            except asyncio.CancelledError:
                asked.append("once")
                if len(asked) == 2:
                    raise

    task, over = asyncio.create_task(stubborn()), asyncio.create_task(asyncio.sleep(0))
    await asyncio.sleep(0.01)
    await ending.end([task, over])
    assert (task.cancelled(), over.cancelled(), len(asked)) == (True, False, 2)


async def test_one_that_never_ends_is_named_and_left(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(ending, "AGAIN_S", 0.02)
    free = asyncio.Event()

    async def deaf() -> None:
        while not free.is_set():
            try:
                await free.wait()
            except asyncio.CancelledError:
                continue

    task = asyncio.create_task(deaf(), name="deaf")
    await asyncio.sleep(0.01)
    with caplog.at_level(logging.ERROR):
        await ending.end([task])
    assert caplog.messages == ["deaf does not end; it is left behind"]
    free.set()
    await task
