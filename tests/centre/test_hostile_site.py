"""A site that is let in and means harm: what it sends harms itself only, and each parcel gets its answer."""

import asyncio
import json
import math
import time
from collections.abc import AsyncIterator
from typing import Any

import psycopg
import pytest

from monitor.centre import keys
from monitor.centre.ingest import Ingester
from monitor.centre.parcel import Parcel, opened, sealed
from monitor.centre.ports import subject_of
from monitor.daemon.clock import SystemClock
from monitor.daemon.ingesting import CentralInbox
from monitor.history.central import Central
from tests.history.cluster import Cluster

pytestmark = pytest.mark.peer

LIAR, HONEST = "liar", "honest"


class Two:
    """A centre without a router, and two of its sites."""

    def __init__(self, cluster: Cluster) -> None:
        self.cluster, self.url = cluster, cluster.new_database()
        self.central, self.clock = Central(self.url), SystemClock()
        self.seeds = {name: keys.new_seed() for name in (LIAR, HONEST, "centre")}
        for name in (LIAR, HONEST):
            self.central.add(name, keys.public_of(self.seeds[name]), self.clock.wall_s())
        self.inbox = CentralInbox(self.central, self.clock.monotonic_s, 4)
        sign = keys.signer(self.seeds["centre"])
        self.ingester = Ingester(self.inbox, sign, keys.verifier, self.clock.wall_s)
        self.numbers = iter(range(1, 10_000))

    async def sends(self, site: str, kind: str, head: Any, blobs: tuple[tuple[int, bytes], ...] = ()) -> str:
        """Why the centre says no; empty where it has kept it."""
        subject = subject_of(site, kind)
        octets = sealed(subject, Parcel({"number": next(self.numbers), **head}, blobs), keys.signer(self.seeds[site]))
        answer = await self.ingester.take(subject, octets)
        said = opened(f"{subject} answer", answer, keys.verifier(keys.public_of(self.seeds["centre"]))).head
        assert said["to"] == octets[:64].hex()
        return str(said.get("no", ""))

    def connected(self) -> "psycopg.Connection[Any]":
        name = self.url.split("///")[1].split("?")[0]
        return psycopg.connect(f"dbname={name} host={self.cluster.folder} user=postgres")


@pytest.fixture
async def two(cluster: Cluster) -> AsyncIterator[Two]:
    made = Two(cluster)
    for name in (LIAR, HONEST):
        assert await made.sends(name, "begin", {"history": name, "alive_s": 60.0}) == ""
    yield made
    made.inbox.close()
    made.central.close()


def sheet(name: str, rows: Any, columns: Any = ("id", "resource", "quantity", "unit", "resolution")) -> dict[str, Any]:
    return {"name": name, "digest": "d", "text": json.dumps({"columns": columns, "rows": rows})}


HOSTILE: list[tuple[str, Any]] = [
    ("alive", {"number": None}),
    ("alive", {"number": math.inf}),
    ("alive", {"number": 2**63}),
    ("alive", {"number": 10**400}),
    ("alive", {"number": "1"}),
    ("alive", {"alive_s": "soon"}),
    ("alive", {"alive_s": math.nan}),
    ("alive", {"alive_s": math.inf}),
    ("alive", {"alive_s": 1e300}),
    ("alive", {"alive_s": -1.0}),
    ("alive", {"alive_s": 10**400}),
    ("rounds", {"up_to": math.nan}),
    ("rounds", {"up_to": 10**400}),
    ("rounds", {"up_to": True, "alive_s": 1e300}),
    ("begin", {"history": "a\x00b"}),
    ("sheet", {"name": "plan", "digest": "d", "text": "[" * 100_000}),
    ("sheet", {"name": "coming", "digest": "d", "text": '{"name": NaN'}),
    ("sheet", {"name": "a\x00b", "digest": "d", "text": "{}"}),
    ("sheet", sheet("series", [[1, "a\x00b", "rx_dbm", "dBm", 0.1]])),
    ("sheet", sheet("series", [[1, "creek", "rx_dbm", "dBm", {"a": 1}]])),
    ("sheet", sheet("series", [[10**30, "creek", "rx_dbm", "dBm", 0.1]])),
    ("sheet", sheet("series", 7)),
    ("sheet", sheet("layout", [[1, 1, 1.0, 7]], ("id", "slot", "valid_from_s", "series_ids"))),
    ("events", {"records": 7}),
    ("events", {"records": [7]}),
    ("events", {"records": [{"id": "x", "at_s": "y", "kind": "k", "resource": "r", "text": "t"}], "up_to": 1}),
    ("changes", {"records": {"now": 1}}),
    ("changes", {"records": [{"now": {"id": []}}]}),
    ("days", {"day": math.inf, "from_s": 0, "to_s": 1}),
    ("days", {"day": 2**40, "from_s": 0, "to_s": 1, "up_to": 1}),
    ("days", {"day": 20_000, "from_s": 10**40, "to_s": 1, "up_to": 1}),
    ("no-such-kind", {}),
]


@pytest.mark.parametrize(("kind", "head"), HOSTILE)
async def test_each_parcel_is_refused_for_good_and_the_next_is_taken(two: Two, kind: str, head: Any) -> None:
    """Refused with its reason: "it cannot be kept now" would have it sent again for ever."""
    why = await two.sends(LIAR, kind, head)
    assert why not in ("", "it cannot be kept now")
    assert await two.sends(LIAR, "alive", {"alive_s": 60.0}) == ""
    assert await two.sends(HONEST, "alive", {"alive_s": 60.0}) == ""
    rounds = (((1_790_000_000 << 16) | 1, b"x"),)
    assert await two.sends(HONEST, "rounds", {"up_to": 1}, rounds) == ""
    site = next(one for one in two.central.sites() if one.name == LIAR)
    assert site.alive_s == 60.0


async def test_one_that_sends_much_at_once_keeps_no_other_waiting(two: Two) -> None:
    """Its parcels wait for each other in the database; they must not all wait in the threads of the centre."""
    with two.connected() as connection:
        connection.execute("SELECT 1 FROM centre.site WHERE name = 'liar' FOR UPDATE")
        flood = [asyncio.create_task(two.sends(LIAR, "alive", {"alive_s": 60.0})) for _ in range(50)]
        await asyncio.sleep(0.5)
        began_s = time.monotonic()
        async with asyncio.timeout(10):
            assert await two.sends(HONEST, "alive", {"alive_s": 60.0}) == ""
        assert time.monotonic() - began_s < 2
        connection.rollback()
    answers = await asyncio.gather(*flood)
    assert answers.count("") >= 1
    assert all(why in ("", "it has another parcel in hand") or "already" in why for why in answers)


async def test_rounds_of_impossible_times_stand_in_nobody_s_way(two: Two) -> None:
    blobs = tuple((number, b"x") for number in (-(2**63), -1, 0, 2**63 - 1))
    assert await two.sends(LIAR, "rounds", {"up_to": 2**62}, blobs) == ""
    assert await two.sends(HONEST, "rounds", {"up_to": 1}, (((1_790_000_000 << 16) | 1, b"x"),)) == ""
    assert two.central.tidy(1_790_000_000.0) == 0
