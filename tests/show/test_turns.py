"""Whose password is looked at next: one at a time, those with few waiting first, and nobody's turn is lost."""

import asyncio
from collections.abc import Callable

import pytest

from monitor.show.turns import Asker, NoTurn, Turns


def at_once() -> float:
    return 0.0


def asker(place: str, known: bool = False, wrongs: int = 0, ready: Callable[[], float] = at_once) -> Asker:
    return Asker(place, known, wrongs, ready)


class Desk:
    """A queue, who was looked at in which order, and a door that is held open as long as a test wants."""

    def __init__(self, most: int = 32, longest_s: float = 5.0) -> None:
        self.turns = Turns(most, longest_s)
        self.seen: list[str] = []
        self.go_on = asyncio.Event()
        self.at_once = 0

    async def look(self, name: str, one: Asker) -> None:
        async with self.turns.turn(one):
            self.at_once += 1
            assert self.at_once == 1, "one at a time"
            self.seen.append(name)
            await self.go_on.wait()
            self.at_once -= 1

    async def come(self, *askers: tuple[str, Asker]) -> list[asyncio.Task[None]]:
        """They come one after the other."""
        tasks = []
        for name, one in askers:
            tasks.append(asyncio.create_task(self.look(name, one)))
            await asyncio.sleep(0)
        return tasks


async def test_one_after_the_other_in_the_order_in_which_they_came() -> None:
    desk = Desk()
    tasks = await desk.come(*((name, asker(name)) for name in "abc"))
    assert desk.seen == ["a"]
    desk.go_on.set()
    await asyncio.gather(*tasks)
    assert desk.seen == ["a", "b", "c"]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (asker("here"), asker("there", known=True)),
        (asker("here", wrongs=1), asker("there")),
        (asker("looked at"), asker("there", wrongs=9)),
    ],
    ids=["a known device", "fewer wrong ones", "fewer that wait from there"],
)
async def test_who_comes_later_and_has_more_right_to_it_is_looked_at_before(first: Asker, second: Asker) -> None:
    desk = Desk()
    tasks = await desk.come(("nobody", asker("elsewhere")), ("more", asker("looked at")))
    tasks += await desk.come(("first", first), ("second", second))
    desk.go_on.set()
    await asyncio.gather(*tasks)
    assert desk.seen.index("second") < desk.seen.index("first")


async def test_of_too_many_the_last_in_rank_is_sent_away() -> None:
    desk = Desk(most=2)
    tasks = await desk.come(("held", asker("a")), ("b", asker("b")), ("b again", asker("b")))
    assert not any(task.done() for task in tasks), "as many as may wait"
    tasks += await desk.come(("c", asker("c")))
    with pytest.raises(NoTurn):
        await asyncio.wait_for(tasks[2], 1)
    late = await desk.come(("b once more", asker("b")))
    with pytest.raises(NoTurn):
        await asyncio.wait_for(late[0], 1)
    desk.go_on.set()
    await asyncio.wait_for(asyncio.gather(tasks[0], tasks[1], tasks[3]), 1)
    assert desk.seen == ["held", "b", "c"]


async def test_who_waits_too_long_is_sent_away_and_the_next_is_not_kept_waiting() -> None:
    desk = Desk(longest_s=0.05)
    held, late = await desk.come(("held", asker("a")), ("late", asker("b")))
    with pytest.raises(NoTurn):
        await asyncio.wait_for(late, 1)
    (later,) = await desk.come(("later", asker("c")))
    desk.go_on.set()
    await asyncio.wait_for(asyncio.gather(held, later), 1)
    assert desk.seen == ["held", "later"]


async def test_whoever_goes_leaves_the_turn_to_the_next() -> None:
    """Before it came, in the moment in which it came, and while being looked at."""
    desk = Desk()
    looked, waits, comes, last = await desk.come(*((name, asker(name)) for name in "abcd"))
    waits.cancel()
    await asyncio.gather(waits, return_exceptions=True)
    looked.cancel()
    await asyncio.sleep(0)
    comes.cancel()
    desk.at_once = 0
    desk.go_on.set()
    await asyncio.wait_for(last, 1)
    await asyncio.gather(looked, comes, return_exceptions=True)
    assert desk.seen[-1] == "d"


async def test_who_may_not_be_looked_at_yet_waits_and_lets_others_pass() -> None:
    desk = Desk()
    desk.go_on.set()
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    (slow,) = await desk.come(("slow", asker("a", ready=lambda: began_s + 0.1 - loop.time())))
    (quick,) = await desk.come(("quick", asker("b")))
    await asyncio.wait_for(quick, 0.09)
    assert desk.seen == ["quick"]
    await asyncio.wait_for(slow, 2)
    assert loop.time() - began_s >= 0.1
    assert desk.seen == ["quick", "slow"]
