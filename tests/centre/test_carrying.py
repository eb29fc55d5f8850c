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
from monitor.history import backup
from monitor.history.central import Central, RoundsOf
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


def test_one_that_is_not_right_takes_no_other_with_it(cluster: Cluster) -> None:
    central = Central(cluster.new_database())
    for name in ("a", "b", "c"):
        central.add(name, "UKEY", 0.0)
        assert central.keep(name, {"number": 1, "kind": "begin", "history": name}, (), 1.0) == ""
    row = ((int(T0) << 16 | 1, b"x"),)
    kept = central.keep_rounds([RoundsOf(name, 2, row, 2**70 if name == "b" else 7, None, 1.0) for name in "abc"])
    assert [kept[0], kept[2]] == ["", ""]
    assert kept[1].startswith("it is not as it should be")
    assert [central.known(name)[1] for name in "abc"] == [2, 1, 2]
    assert central.keep("a", {"number": 3, "kind": "days", "day": "no day"}, (), 1.0).startswith(
        "it is not as it should"
    )
    assert central.keep("a", {"number": 3, "kind": "anything"}, (), 1.0).startswith("it is not as it should")
    central.close()


def test_rows_that_are_there_already_are_kept_once(cluster: Cluster) -> None:
    """As after a line that was cut between the rows and the answer, together with a farm whose rows are all new."""
    central = Central(cluster.new_database())
    for name in ("a", "b"):
        central.add(name, "UKEY", 0.0)
        assert central.keep(name, {"number": 1, "kind": "begin", "history": name}, (), 1.0) == ""
    rows = [(int(T0) + i << 16 | 1, bytes([i])) for i in range(5)]
    assert central.keep_rounds([RoundsOf("a", 2, rows[:3], None, None, 1.0)]) == [""]
    together = [RoundsOf("a", 3, rows, rows[-1][0], None, 2.0), RoundsOf("b", 2, rows, rows[-1][0], 60.0, 2.0)]
    assert central.keep_rounds(together) == ["", ""]
    assert central.keep_rounds([RoundsOf("a", 4, (), None, 30.0, 3.0)]) == [""], "a parcel without rows"
    with central._engine.begin() as connection:
        found = connection.exec_driver_sql("SELECT source, id, blob FROM centre.round_row ORDER BY 1, 2").all()
    sources = {one.name: one.source for one in central.sites()}
    assert [tuple(row) for row in found] == [(sources[name], *row) for name in "ab" for row in rows]
    assert [central.known(name)[2]["rounds"] for name in "ab"] == [rows[-1][0]] * 2
    assert [(one.heard_s, one.alive_s) for one in central.sites()] == [(3.0, 30.0), (2.0, 60.0)]
    central.close()


def test_partitions_of_odd_days_and_of_days_that_are_over(cluster: Cluster) -> None:
    """A clock gone wrong, a partition dropped while a site was away: rows go where they are found."""
    central = Central(cluster.new_database())
    central.add(SITE, "UKEY", 0.0)
    assert central.keep(SITE, {"number": 1, "kind": "begin", "history": "h"}, (), 1.0) == ""
    times = [0.0, T0, 4_000_000_000.0, T0 + 40 * DAY_S]
    for i, at_s in enumerate(times, 2):
        one = RoundsOf(SITE, i, ((int(at_s) << 16 | 1, b"x"),), None, None, 1.0)
        assert central.keep_rounds([one, one]) == ["", "it has been taken already, or it is older than one that has"]
    assert central.tidy(T0 + 400 * DAY_S) == 0, "none of them is empty"
    with central._engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM centre.round_row")
    assert central.tidy(T0 + 400 * DAY_S) == 2
    other = Central(central.url)  # knows the partitions that there are no more
    other._partitions._there = set(central._partitions._there)
    late = RoundsOf(SITE, 9, ((int(T0) << 16 | 1, b"y"),), None, None, 1.0)
    assert other.keep_rounds([late]) == [""]
    again = RoundsOf(SITE, 10, ((int(T0) << 16 | 2, b"z"),), None, None, 1.0)
    third = Central(central.url)
    assert third.keep_rounds([again]) == [""]
    with central._engine.begin() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM centre.round_row").scalar() == 2
        assert connection.exec_driver_sql("SELECT count(*) FROM centre.round_row_other").scalar() == 0
    for one_of in (central, other, third):
        one_of.close()
