"""One site and one centre over a real router into a real PostgreSQL: everything arrives once, whatever is cut."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from monitor.alarms.book import Book, Condition, Key, step
from monitor.alarms.states import Severity
from monitor.centre import keys
from monitor.centre.ingest import Ingester
from monitor.centre.line import Line, LineDown
from monitor.centre.line import Router as Where
from monitor.centre.parcel import Parcel, sealed
from monitor.centre.ports import subject_of
from monitor.centre.reporter import Identity, Reporter
from monitor.centre.router import CENTRE_INBOX, inbox_of
from monitor.daemon.clock import SystemClock
from monitor.daemon.ingesting import CentralInbox
from monitor.daemon.keeper import Keeper
from monitor.daemon.reporting import SiteOutbox
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.central import Central
from monitor.history.fold import day_of
from monitor.history.one_site import one_site
from tests.centre.conftest import Keys
from tests.history.cluster import Cluster
from tests.peers.router import Router

pytestmark = pytest.mark.peer

SITE = "tarrow-downs"
LIGHT, VOLTS = Slot("creek/optic/5", "rx_dbm"), Slot("creek/switch", "input_volts")
LAYOUT = Layout("creek/switch", "measure", (LIGHT, VOLTS))
T0 = 1_790_000_000.0
DAY_S = 86_400


def a_round(at_s: float, dbm: float) -> Round:
    readings = Round.blank(LAYOUT, at_s, State.SILENT)
    readings.put(0, dbm)
    return readings


async def until(true: object, timeout_s: float = 20.0) -> None:
    """Wait until a function says so."""
    assert callable(true)
    async with asyncio.timeout(timeout_s):
        while not true():  # noqa: ASYNC110  # what is waited for happens in another database
            await asyncio.sleep(0.02)


class Farm:
    """A site's history and its reporter."""

    def __init__(self, folder: Path, router: Router, known: Keys, name: str = SITE, metered: bool = False) -> None:
        self.clock, self.name = SystemClock(), name
        self.keeper = Keeper(folder / f"{name}.sqlite", self.clock)
        self.news = asyncio.Event()
        seed = known.sites[name]
        me = Identity(name, keys.signer(seed), keys.verifier(keys.public_of(known.centre)))
        self.outbox = SiteOutbox(self.keeper, self.clock, lambda: {"plan": {"plan": "a plan"}}, metered)
        where = Where(router.url, seed, inbox_of(name))
        sleep = self.clock.sleep
        self.reporter = Reporter(me, self.outbox, lambda: Line(where), self.clock.monotonic_s, sleep, 1.0, self.news)
        self.task: asyncio.Task[None] | None = None
        self.book = Book()

    def begin(self) -> None:
        self.task = asyncio.create_task(self.reporter.run())

    async def end(self) -> None:
        if self.task is not None:
            self.task.cancel()
            await asyncio.gather(self.task, return_exceptions=True)

    async def keep(self, *rounds: Round) -> None:
        self.keeper.keep(rounds)
        await self.keeper.flush()
        self.news.set()

    async def alarm(self, at_s: float, severity: Severity | None) -> None:
        self.book, changes = step(
            self.book, [Condition(Key("creek", "pole-silent"), severity, "creek is silent")], at_s
        )
        await self.keeper.record(changes, [])
        self.news.set()


@asynccontextmanager
async def farm(folder: Path, router: Router, known: Keys, **more: object) -> AsyncIterator[Farm]:
    made = Farm(folder, router, known, **more)  # type: ignore[arg-type]  # passed on as it came
    await made.keeper.open()
    try:
        yield made
    finally:
        await made.end()
        await made.keeper.close()


@asynccontextmanager
async def centre(url: str, router: Router, known: Keys) -> AsyncIterator[tuple[Central, Ingester]]:
    central, clock = Central(url), SystemClock()
    for name, seed in known.sites.items():
        central.add(name, keys.public_of(seed), clock.wall_s())
    inbox = CentralInbox(central, clock.monotonic_s, 4)
    ingester = Ingester(inbox, keys.signer(known.centre), keys.verifier, clock.wall_s)
    line = Line(Where(router.url, known.centre, CENTRE_INBOX))
    await line.open()
    await line.serve("farpole.*.*", ingester.take, 4)
    try:
        yield central, ingester
    finally:
        await line.close()
        inbox.close()
        central.close()


def arrived(central: Central, slot: Slot = LIGHT) -> list[float]:
    """Readings at the centre, by the reader of any history."""
    source = next(site.source for site in central.sites() if site.name == SITE)
    if source is None:
        return []
    with one_site(central.url, source) as store:
        return list(store.readings(slot, 0, 4e9).times_s.tolist())


async def test_rounds_alarms_and_days_arrive_as_they_are_kept(
    tmp_path: Path, cluster: Cluster, router: Router, known: Keys
) -> None:
    async with centre(cluster.new_database(), router, known) as (central, _), farm(tmp_path, router, known) as site:
        await site.keeper.ask(lambda store: store.standard_offset(36_000))
        await site.keep(*(a_round(T0 + 60 * i, -7.0 - 0.01 * i) for i in range(100)))
        await site.alarm(T0 + 10, Severity.CRITICAL)
        site.begin()
        await until(lambda: len(arrived(central)) == 100)
        await site.alarm(T0 + 20, None)
        await site.alarm(T0 + 30, Severity.CRITICAL)
        source = central.sites()[1].source
        assert source is not None
        with one_site(central.url, source) as store:
            await until(lambda: len(store.changes(0.0)) == 3)
            assert [change.what for change in store.changes(0.0)] == ["raised", "cleared", "raised again"]
            [alarm] = store.alarms()
            assert (alarm.text, alarm.cleared) == ("creek is silent", False)
            day = day_of(T0, 36_000)
            await site.keeper.ask(lambda s: [s.fold(slot, d, 36_000) for slot, d in s.to_fold(day + 1, 36_000)])
            site.news.set()
            await until(lambda: store.setting_of("standard_offset_s") == "36000")
            await until(lambda: central.known(SITE)[2]["days"] > 0)
            here = await site.keeper.ask(lambda s: s.readings(LIGHT, 0, 4e9))
            there = store.readings(LIGHT, 0, 4e9)
            assert there.times_s.tolist() == here.times_s.tolist()
            assert there.values.tolist() == here.values.tolist()
            line = store.series(LIGHT, T0 - DAY_S, T0 + DAY_S, 2)
            assert line.seen.sum() == 100
        assert [(one.site, one.resource, one.type) for one in central.standing()] == [(SITE, "creek", "pole-silent")]


async def test_what_is_forged_or_said_again_is_refused(
    tmp_path: Path, cluster: Cluster, router: Router, known: Keys
) -> None:
    async with centre(cluster.new_database(), router, known) as (central, ingester):
        mine, other = keys.signer(known.sites[SITE]), keys.signer(known.sites["other-farm"])
        begin = subject_of(SITE, "begin")
        parcel = Parcel({"number": 1, "history": "abc"})
        forged = await ingester.take(begin, sealed(begin, parcel, other))
        assert b"fp1" in forged
        assert ingester.refused == {"its signature does not hold": 1}
        moved = sealed(subject_of(SITE, "alive"), parcel, mine)  # signed for another subject
        await ingester.take(begin, moved)
        assert ingester.refused == {"its signature does not hold": 2}
        right = sealed(begin, parcel, mine)
        await ingester.take(begin, right)
        assert central.known(SITE)[:2] == ("abc", 1)
        heard_s = central.sites()[1].heard_s
        await ingester.take(begin, right)
        assert ingester.refused["it has been taken already, or it is older than one that has"] == 1
        assert central.sites()[1].heard_s == heard_s, "a recording is no sign of life"
        central.shut_out(SITE)
        late = CentralInbox(central, lambda: 1e9, 1)
        try:
            assert await late.key_of(SITE) is None
        finally:
            late.close()


async def test_a_credential_is_good_for_its_own_subjects_only(router: Router, known: Keys, tmp_path: Path) -> None:
    """By the router: what a site says under another's name goes nowhere, and it hears none of it."""
    heard: list[str] = []

    async def take(subject: str, octets: bytes) -> bytes:
        heard.append(subject)
        return b"yes"

    lines = {
        name: Line(Where(router.url, seed, inbox_of(name)))
        for name, seed in {"centre": known.centre, **known.sites}.items()
    }
    for line in lines.values():
        await line.open()
    await lines["centre"].serve("farpole.*.*", take, 4)
    await asyncio.sleep(0.5)  # the router tells its other connections of a new listener in its own time
    assert await lines[SITE].request(subject_of(SITE, "alive"), b"", 2) == b"yes"
    with pytest.raises(LineDown):
        await lines["other-farm"].request(subject_of(SITE, "alive"), b"", 1)
    with pytest.raises(LineDown):
        await lines["other-farm"].request(f"{inbox_of(SITE)}.anything", b"", 1)
    spied: list[str] = []

    async def spy(subject: str, octets: bytes) -> bytes:
        spied.append(subject)
        return b""

    await lines["other-farm"].serve("farpole.>", spy, 1)
    await lines[SITE].request(subject_of(SITE, "rounds"), b"", 2)
    assert heard == [subject_of(SITE, "alive"), subject_of(SITE, "rounds")]
    assert spied == []
    stranger = Line(Where(router.url, keys.new_seed(), inbox_of("stranger")))
    with pytest.raises(LineDown, match=r"(?i)authorization|nkey|violation"):
        await stranger.open()
    for line in lines.values():
        await line.close()
