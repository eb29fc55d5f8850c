"""Leases: each thing is done by one, and what nobody does any more is free to take."""

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from monitor.history.store import NotKept, Store
from tests.history.cluster import Cluster

NAMES = [f"place/{i}" for i in range(40)]


def test_each_is_held_by_one_however_many_want_it(cluster: Cluster) -> None:
    url = cluster.new_database()
    stores = [Store(url) for _ in range(4)]
    with ThreadPoolExecutor(4) as threads:
        taken = list(threads.map(lambda i: stores[i].take(NAMES, f"poller {i}", 30.0, 15), range(4)))
    held = [name for some in taken for name in some]
    assert len(held) == len(set(held)), "none by two"
    assert all(len(some) <= 15 for some in taken)
    rest = stores[0].take(NAMES, "poller 0", 30.0)
    assert taken[0] <= rest, "one's own are renewed"
    assert not rest & set().union(*taken[1:])
    for store in stores:
        store.close()


def test_a_lease_ends_and_one_is_given_back(cluster: Cluster) -> None:
    url = cluster.new_database()
    with Store(url) as one, Store(url) as other:
        assert one.take(["book"], "one", 0.4) == {"book"}
        assert other.take(["book"], "other", 0.4) == set()
        assert one.holders("book") == 1
        time.sleep(0.5)
        assert other.take(["book"], "other", 30.0) == {"book"}
        assert one.take(["book"], "one", 30.0) == set(), "it came too late to renew"
        other.give_back(["book"], "other")
        assert one.take(["book"], "one", 30.0) == {"book"}


def test_what_is_passed_on_is_taken_once_and_in_order(cluster: Cluster) -> None:
    with Store(cluster.new_database()) as store:
        store.pass_on([b"first", b"second"])
        store.pass_on([b"third"])
        assert store.passed(2) == [b"first", b"second"]
        assert store.passed() == [b"third"]
        assert store.passed() == []


def test_a_file_is_not_shared(tmp_path: Path) -> None:
    with Store(tmp_path / "history.sqlite") as store, pytest.raises(NotKept, match="PostgreSQL only"):
        store.take(["book"], "one", 10.0)
