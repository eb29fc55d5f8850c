"""A site as a process of its own, which may be killed at any moment: rounds and alarms, kept and reported.

python -m tests.centre.site_process HISTORY ROUTER SITE SEED CENTRE: each line on its output is a number of rounds that
are on its disk. The next run goes on where the last one has stopped.
"""

import asyncio
import sys
from pathlib import Path

from monitor.alarms.book import Book, Condition, Key, step
from monitor.alarms.states import Severity
from monitor.centre import keys
from monitor.centre.line import Line, Router
from monitor.centre.reporter import Identity, Reporter
from monitor.centre.router import inbox_of
from monitor.daemon.clock import SystemClock
from monitor.daemon.keeper import Keeper
from monitor.daemon.reporting import SiteOutbox
from monitor.facts.readings import Layout, Round, Slot, State

T0 = 1_790_000_000.0
LIGHT = Slot("creek/optic/5", "rx_dbm")
LAYOUT = Layout("creek/switch", "measure", (LIGHT,))
CREEK = Key("creek", "pole-silent")


def a_round(i: int) -> Round:
    readings = Round.blank(LAYOUT, T0 + i, State.SILENT)
    readings.put(0, -7.0 - (i % 100) / 100)
    return readings


async def main(history: str, router: str, site: str, seed: str, centre: str) -> None:
    clock = SystemClock()
    keeper = Keeper(Path(history), clock)
    await keeper.open()
    me = Identity(site, keys.signer(seed), keys.verifier(centre))
    where, news = Router(router, seed, inbox_of(site)), asyncio.Event()
    outbox = SiteOutbox(keeper, clock, dict)
    reporter = Reporter(me, outbox, lambda: Line(where), clock.monotonic_s, clock.sleep, 1.0, news)
    task = asyncio.create_task(reporter.run())
    day = await keeper.ask(lambda store: store.readings(LIGHT, 0, 4e9))
    i = len(day)
    alarms = await keeper.ask(lambda store: store.alarms())
    book = Book({alarm.key: alarm for alarm in alarms})
    while not task.done():
        keeper.keep([a_round(i + n) for n in range(5)])
        i += 5
        if i % 25 == 0:
            severity = None if any(not a.cleared for a in book.alarms.values()) else Severity.CRITICAL
            book, changes = step(book, [Condition(CREEK, severity, f"round {i}")], T0 + i * 10)
            await keeper.record(changes, [])
        await keeper.flush()
        print(i, flush=True)
        news.set()
        await asyncio.sleep(0.05)


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
