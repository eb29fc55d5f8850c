"""How long the pages of a large farm take: python -m tests.bench.pages [--poles 20] [--days 1826]

One JSON line. ``page_ms`` is the median of each page, ``chart_ms`` that of one chart over fourteen months; beside each
the ratio to ``empty_ms``, the same web framework answering nothing, asked in turn with it. ``rss_mb`` is the most that
the process has held, the history's five years read by it included.
"""

import argparse
import asyncio
import json
import resource
import statistics
import tempfile
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from fastapi import FastAPI
from sqlalchemy import insert

from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.desk import Desk
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.daemon.standing import AtThePole
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history import tables as t
from monitor.history.blocks import Day, pack
from monitor.history.fold import rollup_of
from monitor.history.store import Store
from monitor.show.door import Door
from monitor.show.entrance import Entrance
from monitor.show.ways import By, Way
from monitor.show.web import application
from monitor.simulation.campaign import widened

DAY_S, T0 = 86_400, 1_790_035_200 // 86_400 * 86_400
BY_THE_MINUTE = 60
"""Days whose single readings are kept; of those before there are the daily figures."""
PAGES = ("/", "/alarms", "/survey", "/plan", "/pole/creek?range=week", "/pole/creek?range=year", "/pole/creek/here")
TURNS = 15


def a_day(number: int) -> Day:
    """A day of light, by the minute."""
    rng = np.random.default_rng(number)
    times = np.asarray(60.0 * np.arange(1440), np.float64)
    return Day(times, np.round(-7.3 + rng.normal(0, 0.05, 1440), 2), np.zeros(1440, np.uint8))


def fill(file: Path, slots: list[Slot], days: int) -> None:
    """So many days of every series: daily figures of all, single readings of the last weeks."""
    first = T0 // DAY_S - days
    with Store(file) as store:
        store.standard_offset(0)
        store.take_in({slot: Day(a_day(0).times_s + first * DAY_S, *_rest(a_day(0))) for slot in slots}, 0)
        alike = [a_day(i) for i in range(8)]
        rolled = [rollup_of(one) for one in alike]
        with store._engine.begin() as connection:
            ids = {Slot(r.resource, r.quantity): r.id for r in connection.execute(t.series.select())}
            for day in range(first + 1, first + days):
                rows = [{"day": day, "series": ids[s], **rolled[(i + day) % 8]} for i, s in enumerate(slots)]
                connection.execute(insert(t.rollup_day), rows)
            for day in range(first + days - BY_THE_MINUTE, first + days):
                moved = [pack(Day(one.times_s + day * DAY_S, one.values, one.states), 0.01) for one in alike]
                blocks = [{"id": day << 24 | ids[s], "blob": moved[(i + day) % 8]} for i, s in enumerate(slots)]
                connection.execute(insert(t.day_block), blocks)


def _rest(day: Day) -> tuple[Any, Any]:
    return day.values, day.states


def slots_of(design: Design) -> list[Slot]:
    """What the pages draw."""
    ways = [Slot(port, "in_octets") for port in design.topology.uplink.values()]
    return list(dict.fromkeys([*design.limits, *ways]))


async def timed(ask: Callable[[], Awaitable[httpx.Response]]) -> float:
    """One request [ms]."""
    began_s = time.perf_counter()
    answer = await ask()
    assert answer.status_code == 200, answer.text
    return 1000 * (time.perf_counter() - began_s)


async def measured(folder: Path, poles: int, days: int) -> dict[str, Any]:
    """All of it."""
    plan, sheets = load_plan(shipped() / "tarrow-downs.yaml")
    design = Design.of(widened(plan, poles), sheets)
    fill(folder / "history.sqlite", slots_of(design), days)
    clock = HandClock(float(T0 - 60))
    keeper = Keeper(folder / "history.sqlite", clock, None)
    await keeper.open()
    memory = Memory(design)
    for device in {slot.resource.split("/")[0] for slot in design.limits}:
        mine = tuple(slot for slot in design.limits if slot.resource.split("/")[0] == device)
        layout = Layout(device, "measure", mine)
        seen = Round.blank(layout, float(T0 - 61), State.SILENT)
        for i in range(len(mine)):
            seen.put(i, 1.0)
        memory.latest.take(seen)
    rounds = Rounds(memory, None, keeper, clock, lambda: None)  # type: ignore[arg-type]  # nothing is asked here
    desk = Desk(clock, "1")
    desk.opened(rounds)
    desk.standing = AtThePole(rounds, keeper, clock, folder)
    app, empty = By(application(desk, "1", Entrance(Door({}, {}), lambda: 0.0)), Way.PAGE), FastAPI()

    @empty.get("/")
    async def nothing() -> str:
        return ""

    chart = "/api/chart?resource=creek/optic/5&quantity=rx_dbm&range=year"
    found: dict[str, list[float]] = {path: [] for path in (*PAGES, chart, "empty")}
    one = httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://localhost")
    other = httpx.AsyncClient(transport=httpx.ASGITransport(app=empty), base_url="http://localhost")
    for _ in range(TURNS):
        for path in (*PAGES, chart):
            found[path].append(await timed(lambda path=path: one.get(path)))  # type: ignore[misc]  # a default that binds the loop's name
            found["empty"].append(await timed(lambda: other.get("/")))
    await keeper.close()
    medians = {path: round(statistics.median(times), 1) for path, times in found.items()}
    empty_ms = medians.pop("empty")
    chart_ms = medians.pop(chart)
    return {
        "page_ms": medians,
        "chart_ms": chart_ms,
        "empty_ms": empty_ms,
        "times_empty": {path: round(ms / empty_ms, 1) for path, ms in {**medians, "chart": chart_ms}.items()},
        "poles": poles,
        "days": days,
        "history_mb": round((folder / "history.sqlite").stat().st_size / 2**20),
        "rss_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--poles", type=int, default=20)
    parser.add_argument("--days", type=int, default=1826)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        print(json.dumps(asyncio.run(measured(Path(name), given.poles, given.days))))
