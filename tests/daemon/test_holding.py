"""Who holds the book when somebody's hand is in the table: never two for longer than it takes to look again."""

from collections.abc import Callable, Iterator
from typing import Any

import psycopg
import pytest

from monitor.daemon.clock import HandClock
from monitor.daemon.sharing import LEASE_S, RENEWED, TAKE_S, Sharing
from monitor.history.store import Store
from tests.history.cluster import Cluster

pytestmark = pytest.mark.peer

PLACES = ["creek", "yards"]


class Keeper:
    """The history without its thread."""

    def __init__(self, store: Store) -> None:
        self.store = store

    async def ask(self, question: Callable[[Store], Any]) -> Any:
        return question(self.store)


class Two:
    """Two processes that want one book, and a hand in their database."""

    def __init__(self, cluster: Cluster) -> None:
        url = cluster.new_database()
        self.clocks = [HandClock(), HandClock()]
        self.stores = [Store(url) for _ in range(2)]
        self.one, self.other = (
            Sharing(Keeper(store), clock, PLACES)  # type: ignore[arg-type]  # only asks
            for store, clock in zip(self.stores, self.clocks, strict=True)
        )
        self._at = url.split("///")[1].split("?")[0], str(cluster.folder)

    def by_hand(self, statement: bytes) -> None:
        name, folder = self._at
        with psycopg.connect(f"dbname={name} host={folder} user=postgres", autocommit=True) as connection:
            connection.execute(statement)

    async def pass_s(self, seconds: float) -> None:
        for clock in self.clocks:
            await clock.turn(seconds)

    @property
    def asked_twice(self) -> list[str]:
        return [place for place in PLACES if self.one.mine(place) and self.other.mine(place)]


@pytest.fixture
def two(cluster: Cluster) -> Iterator[Two]:
    made = Two(cluster)
    yield made
    for store in made.stores:
        store.close()


async def test_of_two_one_holds_it(two: Two) -> None:
    await two.one.look()
    await two.other.look()
    assert (two.one.holds_book, two.other.holds_book) == (True, False)


@pytest.mark.parametrize(
    "statement",
    [
        b"DELETE FROM lease",
        b"UPDATE lease SET until_s = 0",
        b"UPDATE lease SET until_s = 'NaN'",
        b"UPDATE lease SET holder = 'nobody', until_s = 0",
    ],
)
async def test_a_row_that_is_gone_leaves_two_holders_for_no_longer_than_a_look(two: Two, statement: bytes) -> None:
    """The first believes it until it renews: a third of the lease, not the whole of it."""
    await two.one.look()
    two.by_hand(statement)
    await two.other.look()
    await two.pass_s(LEASE_S / RENEWED + TAKE_S)
    await two.one.look()
    await two.other.look()
    assert [two.one.holds_book, two.other.holds_book].count(True) == 1
    assert two.asked_twice == []


async def test_a_holder_that_stood_still_does_not_go_on_as_if_nothing_had_been(two: Two) -> None:
    """Its clock did not count the standstill (clock_gettime(2): CLOCK_MONOTONIC leaves out suspension)."""
    await two.one.look()
    two.by_hand(b"UPDATE lease SET until_s = 0")
    await two.other.look()
    await two.clocks[0].turn(LEASE_S / RENEWED)
    await two.one.look()
    assert not two.one.holds_book
    assert two.other.holds_book


async def test_clocks_of_the_wall_that_jump_move_no_lease(two: Two) -> None:
    await two.one.look()
    two.clocks[1].set_wall(20 * 365 * 86_400.0)
    await two.other.look()
    assert (two.one.holds_book, two.other.holds_book) == (True, False)


async def test_a_lease_for_ever_by_hand_is_nobody_s_for_ever(two: Two) -> None:
    """Until a time that lies a thousand years ahead: nobody alive renews it, and somebody must keep the book."""
    await two.one.look()
    two.by_hand(b"UPDATE lease SET until_s = 4e10, holder = 'nobody'")
    await two.pass_s(LEASE_S + TAKE_S)
    await two.one.look()
    await two.other.look()
    assert [two.one.holds_book, two.other.holds_book].count(True) == 1
