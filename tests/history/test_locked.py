"""A PostgreSQL that is there and does not go on: whoever keeps waits for a bounded time, and says why."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
import pytest

from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history import engine
from monitor.history.store import NotKept, Store
from tests.history.cluster import Cluster

pytestmark = pytest.mark.peer

LAYOUT = Layout("creek/switch", "measure", (Slot("creek/optic/5", "rx_dbm"),))


def a_round(at_s: float) -> Round:
    readings = Round.blank(LAYOUT, at_s, State.SILENT)
    readings.put(0, -9.0)
    return readings


@contextmanager
def connected(cluster: Cluster, url: str) -> Iterator["psycopg.Connection[Any]"]:
    name = url.split("///")[1].split("?")[0]
    with psycopg.connect(f"dbname={name} host={cluster.folder} user=postgres") as connection:
        yield connection


@pytest.mark.timeout(30)
def test_a_table_that_somebody_has_locked_is_not_waited_for(cluster: Cluster, monkeypatch: pytest.MonkeyPatch) -> None:
    """As by somebody at its console who went to lunch in the middle of a transaction."""
    monkeypatch.setattr(engine, "LOCK_S", 0.5)
    url = cluster.new_database()
    with Store(url) as store:
        store.keep([a_round(1_790_000_000.0)])
        with connected(cluster, url) as other:
            other.execute("LOCK TABLE round_row IN ACCESS EXCLUSIVE MODE")
            began_s = time.monotonic()
            with pytest.raises(NotKept) as refused:
                store.keep([a_round(1_790_000_060.0)])
            assert refused.value.reason == "server"
            assert time.monotonic() - began_s < 5
            other.rollback()
        store.keep([a_round(1_790_000_060.0)])
        assert len(store.newest(0.0)) == 1


@pytest.mark.timeout(30)
def test_a_query_that_does_not_end_is_ended(cluster: Cluster, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "STATEMENT_S", 0.5)
    with Store(cluster.new_database()) as store, pytest.raises(NotKept) as refused:
        store._look(lambda connection: connection.exec_driver_sql("SELECT pg_sleep(20)"))
    assert refused.value.reason == "server"


def test_what_the_url_says_itself_stands() -> None:
    url = "postgresql+psycopg:///farpole?options=-c%20lock_timeout%3D1000"
    assert "options" not in engine.patience(url)
    assert "lock_timeout" in engine.patience("postgresql+psycopg:///farpole")["options"]


@pytest.mark.timeout(60)
def test_without_a_free_slot_it_is_the_server() -> None:
    """PostgreSQL's max_connections: all of them are taken by others; then one is given back."""
    small = Cluster("-c max_connections=5 -c superuser_reserved_connections=0 -c max_wal_senders=0")
    try:
        small.start()
        url = small.new_database()
        with Store(url) as store:
            store.keep([a_round(1_790_000_000.0)])
        where = f"dbname=postgres host={small.folder} user=postgres"
        others = [psycopg.connect(where) for _ in range(5)]
        with pytest.raises(NotKept) as refused:
            Store(url)
        assert refused.value.reason == "server"
        for one in others:
            one.close()
        time.sleep(0.5)  # the server gives slots back in its own time
        with Store(url) as store:
            store.keep([a_round(1_790_000_060.0)])
    finally:
        small.remove()
