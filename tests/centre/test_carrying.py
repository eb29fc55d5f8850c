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
from monitor.centre.line import Line
from monitor.centre.line import Router as Where
from monitor.centre.parcel import Parcel
from monitor.centre.reporter import Identity, Reporter
from monitor.centre.router import CENTRE_INBOX, inbox_of
from monitor.daemon.clock import SystemClock
from monitor.daemon.ingesting import CentralInbox
from monitor.daemon.keeper import Keeper
from monitor.daemon.reporting import SiteOutbox
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history import backup
from monitor.history.central import Central
from monitor.history.fold import day_of
from monitor.history.one_site import one_site
from monitor.history.outbound import Waiting
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


async def test_a_cut_of_days_is_caught_up_alarms_and_latest_first(
    tmp_path: Path, cluster: Cluster, router: Router, known: Keys
) -> None:
    """Three days without a line, folded meanwhile: the newest round is there long before the oldest day."""
    order: list[str] = []
    async with centre(cluster.new_database(), router, known) as (central, ingester):
        taken = ingester._inbox.keep

        async def noted(site: str, parcel: Parcel, now_s: float) -> str:
            order.append(f"{parcel.head['kind']}{' live' if parcel.head.get('live') else ''}")
            return await taken(site, parcel, now_s)

        ingester._inbox.keep = noted  # type: ignore[method-assign]  # only to see the order
        async with farm(tmp_path, router, known) as site:
            now_s = site.clock.wall_s()
            await site.keeper.ask(lambda store: store.standard_offset(36_000))
            # Every half minute: what is left after folding is more than one parcel holds, at any time of the day.
            await site.keep(*(a_round(now_s - 3 * DAY_S + 30 * i, -7.0) for i in range(3 * 2880)))
            await site.alarm(now_s - DAY_S, Severity.CRITICAL)
            today = day_of(now_s, 36_000)
            await site.keeper.ask(lambda s: [s.fold(slot, d, 36_000) for slot, d in s.to_fold(today - 1, 36_000)])
            site.begin()
            await until(lambda: len(arrived(central)) == 3 * 2880, 40)
            here = await site.keeper.ask(lambda s: s.readings(LIGHT, 0, 4e9))
            assert arrived(central) == here.times_s.tolist()
        first = [kind for kind in order if kind not in ("begin", "sheet", "alive")]
        assert first[:2] == ["changes", "rounds live"], "alarms, then how it stands now"
        assert first.index("days") > first.index("rounds")


async def test_rounds_kept_late_and_days_changed_later_arrive(
    tmp_path: Path, cluster: Cluster, router: Router, known: Keys
) -> None:
    """A clock that was set back, and rounds of yesterday that came after its fold."""
    async with centre(cluster.new_database(), router, known) as (central, _), farm(tmp_path, router, known) as site:
        await site.keeper.ask(lambda store: store.standard_offset(0))
        await site.keep(*(a_round(T0 + 60 * i, -7.0) for i in range(30)))
        site.begin()
        await until(lambda: len(arrived(central)) == 30)
        await site.keep(*(a_round(T0 - 7200 + 60 * i, -8.0) for i in range(10)))
        await until(lambda: len(arrived(central)) == 40)
        day = day_of(T0, 0)
        for _ in range(2):
            await site.keeper.ask(lambda s: [s.fold(slot, d, 0) for slot, d in s.to_fold(day + 1, 0)])
            await site.keep(a_round(T0 - 9000 - len(arrived(central)), -9.0))
            await site.keeper.ask(lambda s: [s.fold(slot, d, 0) for slot, d in s.to_fold(day + 1, 0)])
            here = (await site.keeper.ask(lambda s: s.readings(LIGHT, 0, 4e9))).times_s.tolist()
            await until(lambda here=here: arrived(central) == here)


async def test_how_much_waits_is_known_at_the_site(
    tmp_path: Path, cluster: Cluster, router: Router, known: Keys
) -> None:
    """Before anybody has answered by the cursors on the disk, later by the centre's own."""
    async with farm(tmp_path, router, known) as site:
        await site.keep(*(a_round(T0 + 60 * i, -7.0) for i in range(30)))
        await site.alarm(T0, Severity.CRITICAL)
        assert await site.outbox.waiting(None) == Waiting(1, T0, 0)
        async with centre(cluster.new_database(), router, known) as (central, _):
            site.begin()
            await until(lambda: len(arrived(central)) == 30)
            await until(lambda: site.reporter.report.up_to.get("rounds", 0) > 0)
            assert await site.outbox.waiting(site.reporter.report.up_to) == Waiting(0, None, 0)
        await site.end()
        await site.outbox.write()
        await site.alarm(T0 + 60, None)
        await site.keep(a_round(T0 + 7200, -7.0))
        assert await site.outbox.waiting(None) == Waiting(1, T0 + 7200, 0)


async def test_a_metered_line_carries_alarms_and_whole_days(
    tmp_path: Path, cluster: Cluster, router: Router, known: Keys
) -> None:
    database = cluster.new_database()
    async with centre(database, router, known) as (central, _), farm(tmp_path, router, known, metered=True) as site:
        await site.keeper.ask(lambda store: store.standard_offset(0))
        await site.keep(*(a_round(T0 + 60 * i, -7.0) for i in range(30)))
        site.begin()
        await site.alarm(T0, Severity.CRITICAL)
        await until(lambda: central.known(SITE)[2]["changes"] == 1)
        assert arrived(central) == []
        day = day_of(T0, 0)
        await site.keeper.ask(lambda s: [s.fold(slot, d, 0) for slot, d in s.to_fold(day + 1, 0)])
        site.news.set()
        await until(lambda: len(arrived(central)) == 30)


async def test_an_older_copy_that_was_restored_is_another_history(
    tmp_path: Path, cluster: Cluster, router: Router, known: Keys
) -> None:
    """Its next changes have numbers that the centre knows already: they are neither dropped nor mixed up."""
    async with centre(cluster.new_database(), router, known) as (central, _), farm(tmp_path, router, known) as site:
        await site.alarm(T0, Severity.CRITICAL)
        await site.keep(a_round(T0, -7.0))
        await site.keeper.ask(lambda store: backup.back_up(tmp_path / f"{SITE}.sqlite", tmp_path / "older.sqlite"))
        site.begin()
        await site.alarm(T0 + 100, None)
        await until(lambda: central.known(SITE)[2]["changes"] == 2)
        await site.end()
        await site.keeper.close()
        site.keeper = site.outbox._keeper = Keeper(tmp_path / "older.sqlite", site.clock)
        await site.keeper.open()
        site.book = Book({one.key: one for one in await site.keeper.ask(lambda store: store.alarms())})
        site.begin()
        await site.alarm(T0 + 200, None)
        await site.alarm(T0 + 300, Severity.CRITICAL)

        def whats() -> list[str]:
            source = next(one.source for one in central.sites() if one.name == SITE)
            if source is None:
                return []
            with one_site(central.url, source) as store:
                return [f"{change.what} {change.at_s - T0:.0f}" for change in store.changes(0.0)]

        await until(lambda: whats() == ["raised 0", "cleared 200", "raised again 300"])
