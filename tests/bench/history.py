"""What the history costs, beside append + fsync and beside a row per reading, interleaved in one run.

``python -m tests.bench.history [--quick] [--folder FOLDER]`` prints one JSON line. As root it works on an ext4 of its
own on a loop device, where the octets that reach the device are counted, and drops the kernel's caches before what it
calls cold; else it says so (``cold`` false, ``device_of_append`` null). Medians of the interleaved turns.
"""

import argparse
import gc
import json
import os
import random
import sqlite3
import statistics
import struct
import sys
import tempfile
import time
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, create_engine, insert, text

from monitor.facts.latest import Latest
from monitor.facts.readings import Layout, Round, Slot
from monitor.history import tables as t
from monitor.history.blocks import Day, pack
from monitor.history.columns import stretches
from monitor.history.fold import rollup_of
from monitor.history.reader import _each
from monitor.history.store import Store
from tests.bench.history_farm import DAY_S, POLES, T0, Farm
from tests.history import disk as disks


def timed(action: Callable[[], object]) -> float:
    gc.collect()
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


class Counted:
    """Octets that a device has been told to write; None where that cannot be seen."""

    def __init__(self, folder: Path | None) -> None:
        mounts = Path("/proc/mounts").read_text(encoding="utf-8").splitlines()
        device = next((line.split()[0] for line in mounts if line.split()[1] == str(folder)), None)
        self._stat = Path("/sys/block", Path(device).name, "stat") if device else None

    def octets(self) -> int | None:
        os.sync()
        return None if self._stat is None else int(self._stat.read_text(encoding="ascii").split()[6]) * 512


def ingest(folder: Path, counted: Counted, rounds: int) -> dict[str, float | None]:
    """Rounds one by one, in turns with the same readings appended as 16-octet records and made sure of."""
    farm, store = Farm(), Store(folder / "ingest.sqlite")
    store.keep(farm.round(T0))
    ready = [farm.round(T0 + 60 * i) for i in range(1, rounds + 1)]
    records = [
        b"".join(struct.pack("<IIxd", int(o.at_s) & 0xFFFFFFFF, i, v)[:16] for o in r for i, v in enumerate(o.values))
        for r in ready
    ]
    turns, ratios, shares = 9, [], []
    with (folder / "append").open("ab", buffering=0) as file:
        for turn in range(turns):
            mine = slice(turn * rounds // turns, (turn + 1) * rounds // turns)

            def append(mine: slice = mine) -> None:
                for record in records[mine]:
                    file.write(record)
                    os.fsync(file.fileno())

            def keep(mine: slice = mine) -> None:
                for one in ready[mine]:
                    store.keep(one)

            before = counted.octets()
            limit = timed(append)
            between = counted.octets()
            ratios.append(limit / timed(keep))
            after = counted.octets()
            if before is not None and between is not None and after is not None:
                shares.append((after - between) / (between - before))
    store.close()
    return {
        "ingest_of_limit": statistics.median(ratios),
        "device_of_append": statistics.median(shares) if shares else None,
    }


def days(folder: Path, number: int) -> dict[str, float]:
    """Whole days kept and folded: what stays of a reading, and how long a fold takes."""
    farm, store, folds = Farm(2), Store(folder / "days.sqlite"), []
    store.standard_offset(0)
    store.keep(farm.round(T0 - 60))
    for slot, day in store.to_fold(T0 // DAY_S, 0):
        store.fold(slot, day, 0)
    empty = store.room()[0]
    for day in range(number):
        for hour in range(24):
            store.keep([r for i in range(60) for r in farm.round(T0 + day * DAY_S + hour * 3600 + i * 60)])
        waiting = store.to_fold(T0 // DAY_S + day + 1, 0)
        slots = [slot for slot, _ in waiting]
        folds.append(timed(lambda: store.fold_some(slots, waiting[0][1], 0)))  # noqa: B023  # run at once
    grown = (store.room()[0] - empty) / (number * 1440 * POLES * 125)
    store.close()
    return {"growth_bytes_per_reading": grown, "fold_s": statistics.median(folds)}


def drop_caches(cold: bool) -> None:
    if cold:
        os.sync()
        Path("/proc/sys/vm/drop_caches").write_text("3", encoding="ascii")


YEARS, LINKS = 1826, 20
"""Five years in days, and the links that are asked for."""


def five_years(store: Store, others: int, own: int) -> list[Slot]:
    """Twenty links, ``own`` of them with days of their own values; the other series are copies of a few blocks."""
    store.standard_offset(0)
    light = [Slot(f"link-{i}", "rx_dbm") for i in range(LINKS)]
    rest = [slot for layout in Farm(3).layouts for slot in layout.slots][:others]
    first = T0 // DAY_S - YEARS
    store.take_in({slot: _a_day(i, first) for i, slot in enumerate([*light, *rest])}, 0)
    with store._engine.connect() as connection:
        ids = {Slot(r.resource, r.quantity): r.id for r in connection.execute(t.series.select())}
    alike = [_a_day(1000 + i, 0) for i in range(8)]
    spare, rolled = [pack(one, 0.01) for one in alike], [rollup_of(one) for one in alike]
    for start in range(1, YEARS, 50):
        blocks, rollups = [], []
        for day in range(first + start, min(first + start + 50, first + YEARS)):
            true = [
                _a_day(i * 10_000 + day, day) if i < own else _again(alike[(i + day) % 8], day) for i in range(LINKS)
            ]
            for i, slot in enumerate([*light, *rest]):
                blob = pack(true[i], 0.01) if i < LINKS else spare[(i + day) % 8]
                blocks.append({"id": day << 24 | ids[slot], "blob": blob})
                known = rollup_of(true[i]) if i < own else rolled[(i + day) % 8]
                rollups.append({"day": day, "series": ids[slot], **known})
        with store._engine.begin() as connection:
            connection.execute(insert(t.day_block), blocks)
            connection.execute(insert(t.rollup_day), rollups)
    return light


def reading(folder: Path, others: int, own: int, cold: bool) -> dict[str, float]:
    """Questions to five years, warm, and the longest of them cold."""
    file = folder / "years.sqlite"
    store = Store(file)
    light = five_years(store, others, own)
    end_s = float(T0)
    rows = _row_per_reading(folder, light[0], store, end_s)
    one, found = light[0], dict[str, float]()

    def month_of_rows() -> None:
        """The same question, answered through the same library into the same columns."""
        query = text("SELECT at, value FROM reading WHERE series = 1 AND at >= :since ORDER BY at")
        with rows.connect() as connection:
            table = np.array([tuple(row) for row in connection.execute(query, {"since": end_s - 30 * DAY_S})])
        day = Day(table[:, 0], table[:, 1], np.zeros(len(table), np.uint8))
        stretches([_each(day)], end_s - 30 * DAY_S, end_s - 1, 500, 0)

    def median_ms(action: Callable[[], object], turns: int = 9) -> float:
        action()
        return statistics.median(timed(action) for _ in range(turns)) * 1000

    found["day_ms"] = median_ms(lambda: store.series(one, end_s - DAY_S, end_s - 1, 500))
    found["month_ms"] = median_ms(lambda: store.series(one, end_s - 30 * DAY_S, end_s - 1, 500))
    found["month_of_row_per_reading"] = found["month_ms"] / median_ms(month_of_rows)
    found["links_daily_ms"] = median_ms(lambda: store.many(light, end_s - YEARS * DAY_S, end_s - 1, YEARS), 5)
    store.close()
    turns = []
    for _ in range(3):
        drop_caches(cold)
        fresh = Store(file, read_only=True)
        turns.append(timed(lambda: fresh.readings(one, 0, end_s)) * 1000)  # noqa: B023  # run at once
        fresh.close()
    return found | {"five_years_cold_ms": statistics.median(turns)}


def _a_day(seed: int, day: int) -> Day:
    rng = np.random.default_rng(seed)
    times = np.asarray(day * DAY_S + 60.0 * np.arange(1440), np.float64)
    values = np.round(-7.3 + np.sin(np.arange(1440) / 229) * 0.2 + rng.normal(0, 0.02, 1440), 2)
    return Day(times, values, np.zeros(1440, np.uint8))


def _again(day: Day, number: int) -> Day:
    return Day(day.times_s + number * DAY_S, day.values, day.states)


def _row_per_reading(folder: Path, slot: Slot, store: Store, end_s: float) -> Engine:
    """The plain way, with its best key for this question: (series, time) without a row id, twenty series of a month."""
    rows = sqlite3.connect(folder / "rows.sqlite")
    rows.execute("CREATE TABLE reading (series INT, at INT, value REAL, PRIMARY KEY (series, at)) WITHOUT ROWID")
    day = store.readings(slot, end_s - 30 * DAY_S, end_s)
    for series in range(20):
        many = zip(day.times_s.astype(int).tolist(), day.values.tolist(), strict=True)
        rows.executemany("INSERT INTO reading VALUES (?, ?, ?)", ((series, at, value) for at, value in many))
    rows.commit()
    rows.close()
    return create_engine(f"sqlite:///{folder / 'rows.sqlite'}")


def latest() -> dict[str, float]:
    farm, memory = Farm(4), Latest()
    for one in farm.round(T0):
        memory.take(one)
    slots = [slot for layout in farm.layouts for slot in layout.slots]
    turns = [timed(lambda: [memory.value(slot, 0.0) for slot in slots]) * 1000 for _ in range(9)]
    return {"latest_ms": statistics.median(turns)}


def large(folder: Path) -> dict[str, float]:
    """A thousand switches of 300 series: one round of all."""
    store, rng = Store(folder / "large.sqlite"), random.Random(5)
    layouts = [
        Layout(f"d{d}", "measure", tuple(Slot(f"d{d}/port/{i}", "in_octets") for i in range(300))) for d in range(1000)
    ]

    def all_of(at_s: float) -> list[Round]:
        values = [array("d", [float(rng.randrange(10**9)) for _ in range(300)]) for _ in layouts]
        return [Round(layout, at_s, v, bytearray(300)) for layout, v in zip(layouts, values, strict=True)]

    store.keep(all_of(T0))
    ready = [all_of(T0 + 60.0 * i) for i in range(1, 4)]
    found = statistics.median(timed(lambda: store.keep(one)) for one in ready)  # noqa: B023  # run at once
    store.close()
    return {"large_round_s": found}


@contextmanager
def place(folder: Path | None) -> Iterator[tuple[Path, Path | None]]:
    with tempfile.TemporaryDirectory(dir=folder) as made:
        if disks.why_not():
            yield Path(made), None
            return
        disk = disks.Disk(Path(made), 2_000)
        try:
            yield Path(made), disk.at
        finally:
            disk.unmount()


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer rounds, days and series: under 50 s")
    parser.add_argument("--folder", type=Path, help="where to work (default: the system's)")
    given = parser.parse_args(arguments)
    with place(given.folder) as (folder, counted):
        found: dict[str, float | None] = {}
        found |= ingest(counted or folder, Counted(counted), 400 if given.quick else 1000)
        found |= days(folder, 1 if given.quick else 8)
        found |= reading(folder, 10 if given.quick else 1480, 2 if given.quick else LINKS, counted is not None)
        found |= latest()
        found |= large(folder)
    shown = {name: None if value is None else round(value, 3) for name, value in found.items()}
    print(json.dumps({"bench": "history", "quick": given.quick, "cold": counted is not None, **shown}))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
