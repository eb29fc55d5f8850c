"""The review by itself: on its day, once, as files and as a message with the document."""

import shutil
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.failing import NotDone
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.sending_reviews import SendingReviews
from monitor.plan.parts import Plan, Reviews

SYDNEY = ZoneInfo("Australia/Sydney")


def at(day: int, hour: int = 7) -> float:
    return datetime(2026, 11, day, hour, tzinfo=SYDNEY).timestamp()


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    return Path(shutil.copy(shipped() / "tarrow-downs.yaml", tmp_path / "plan.yaml"))


async def test_on_its_day_once_with_the_document(tmp_path: Path, plan_file: Path) -> None:
    plan, sheets = load_plan(plan_file)
    plan = plan.model_copy(update={"reviews": Reviews(to=["owner-mail"], day=3)})
    clock = HandClock(at(2))
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    memory = Memory(Design.of(Plan.model_validate(plan.model_dump(by_alias=True, exclude_none=True)), sheets))
    reviews = SendingReviews(memory, keeper, clock, plan_file, None)
    await reviews.look()
    assert not (tmp_path / "reviews").exists(), "not before its day"
    clock.set_wall(at(5))  # the box was off on the third: it comes when it is on again
    await reviews.look()
    await reviews.look()
    [waiting] = await keeper.ask(lambda store: store.due(at(5)))
    assert (waiting.message.to, waiting.message.kind) == ("owner-mail", "review")
    assert waiting.message.subject == "Tarrow Downs: review of 2026-10"
    assert "Not complete" in waiting.message.body, "there are no readings in this history, and it says so"
    await keeper.close()
    made = tmp_path / "reviews"
    assert waiting.message.attachment == str(made / "2026-10.pdf")
    assert begins(made / "2026-10.pdf", b"%PDF")
    assert begins(made / "2026-10.html", b"<!doctype html>")


def begins(file: Path, how: bytes) -> bool:
    return file.read_bytes().startswith(how)


async def test_a_review_that_cannot_be_made_is_told_and_tried_again(tmp_path: Path, plan_file: Path) -> None:
    plan, sheets = load_plan(plan_file)
    clock = HandClock(at(5))
    keeper = Keeper(tmp_path / "history.sqlite", clock)
    await keeper.open()
    reviews = SendingReviews(Memory(Design.of(plan, sheets)), keeper, clock, tmp_path / "gone.yaml", None)
    with pytest.raises(NotDone, match="could not be made"):
        await reviews.look()
    assert await keeper.ask(lambda store: store.notes("review")) == []
    await keeper.close()
