"""Folding: a finished day's round rows become a block per series and a rollup, in one transaction per device and tier.

A day is the site's standard-time day, a fixed offset without daylight saving, so that it always has 24 hours. Folding
the same day again changes nothing; rows that come late for a folded day are merged into its blocks.
"""

import struct
import zlib
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, delete, select, text

from monitor.facts.readings import State
from monitor.history import tables as t
from monitor.history.blocks import Damaged, Day, Floats, pack, pack_columns, times_channel, unpack
from monitor.history.codec import states_of
from monitor.history.engine import putting

DAY_S = 86_400
BLOCKS, FEATURES = "blocks", "features"
"""What may have changed of a day: its blocks with their rollups, or what has been computed of them."""
_AT_ONCE = 500
"""Keys in one question: below what any database takes."""


def day_of(at_s: float, offset_s: int) -> int:
    """The site day of a time (UTC seconds): days since 1970 in the site's standard time.

    >>> day_of(0, 36_000), day_of(50_399, 36_000), day_of(50_400, 36_000)
    (0, 0, 1)
    """
    return int((at_s + offset_s) // DAY_S)


def unfolded(connection: Connection, before_day: int, offset_s: int) -> list[tuple[int, int]]:
    """(device slot, day) pairs that have round rows of days before ``before_day``, oldest day first."""
    until = (before_day * DAY_S - offset_s) << 16
    query = text(
        "SELECT DISTINCT id & 65535 AS slot, ((id >> 16) + :offset) / 86400 AS day FROM round_row WHERE id < :until"
    )
    rows = connection.execute(query, {"offset": offset_s, "until": until})
    return sorted(((int(row.slot), int(row.day)) for row in rows), key=lambda pair: (pair[1], pair[0]))


def fold(connection: Connection, slot: int, day: int, offset_s: int) -> int:
    """Fold one device slot's rows of one day; how many rows those were. The caller holds the transaction."""
    first, last = (day * DAY_S - offset_s) << 16, ((day + 1) * DAY_S - offset_s) << 16
    where = text("id >= :first AND id < :last AND (id & 65535) = :slot")
    bounds = {"first": first, "last": last, "slot": slot}
    rows = connection.execute(select(t.round_row).where(where).order_by(t.round_row.c.id), bounds).all()
    found = _by_layout(connection, rows)
    numbers = sorted({number for one in found for number in one.series})
    resolutions = _resolutions(connection, numbers)
    known = _known(connection, day, numbers)
    blocks, rollups = [], []
    simple = len(found) == 1 and not known
    for one in found:
        times = times_channel(one.times_s)
        for i, number in enumerate(one.series):
            whole = Day(one.times_s, one.values[i], one.states[i])
            if simple:
                blob = pack_columns(times, whole.values, whole.states, resolutions[number])
            else:
                whole = known[number] = merged(known.get(number), whole)
                blob = pack(whole, resolutions[number])
            blocks.append({"id": day << 24 | number, "blob": blob})
            rollups.append({"day": day, "series": number, **rollup_of(whole)})
    put_blocks(connection, blocks)
    put_rollups(connection, rollups)
    mark_changed(connection, BLOCKS, [day])
    connection.execute(delete(t.round_row).where(where), bounds)
    connection.execute(delete(t.late_row).where(where), bounds)
    return len(rows)


class _Same:
    """Rounds of one layout: times, and a row of values and of states for each series."""

    def __init__(self, series: tuple[int, ...], times_s: Floats, table: Floats) -> None:
        self.series, self.times_s = series, times_s
        self.values = np.ascontiguousarray(table.T)
        self.states: NDArray[np.uint8] = states_of(self.values)


def _by_layout(connection: Connection, rows: Sequence[Any]) -> list[_Same]:
    """The rows as tables, one for each layout that occurs; a damaged row is one reading less of each series."""
    parts: dict[int, tuple[list[int], list[bytes]]] = {}
    for key, blob in rows:
        try:
            raw = zlib.decompress(blob)
        except zlib.error:
            continue
        (layout,) = struct.unpack_from("<I", raw)
        times, raws = parts.setdefault(layout, ([], []))
        times.append(key >> 16)
        raws.append(raw)
    found = []
    for layout, (times, raws) in parts.items():
        ids = connection.execute(select(t.layout.c.series_ids).where(t.layout.c.id == layout)).scalar()
        if ids is None:
            continue
        series = struct.unpack(f"<{len(ids) // 4}I", ids)
        whole = [i for i, raw in enumerate(raws) if len(raw) == 4 + 8 * len(series)]
        kind = np.dtype([("layout", "<u4"), ("values", "<f8", (len(series),))])
        table = np.frombuffer(b"".join(raws[i] for i in whole), kind)["values"]
        found.append(_Same(series, np.array([times[i] for i in whole], np.float64), table))
    return found


def _resolutions(connection: Connection, numbers: Sequence[int]) -> dict[int, float]:
    found: dict[int, float] = {}
    for some in chunks(numbers):
        query = select(t.series.c.id, t.series.c.resolution).where(t.series.c.id.in_(some))
        found.update((row[0], row[1]) for row in connection.execute(query))
    return found


def _known(connection: Connection, day: int, numbers: Sequence[int]) -> dict[int, Day]:
    """Blocks that the day has already. What is damaged is lost; what has come since is not."""
    found = {}
    for some in chunks([day << 24 | number for number in numbers]):
        for key, blob in connection.execute(select(t.day_block).where(t.day_block.c.id.in_(some))):
            try:
                found[key & 0xFFFFFF] = unpack(blob)
            except Damaged:
                continue
    return found


def merged(old: Day | None, new: Day) -> Day:
    """Both in the order of their times; the same reading twice stays once, another of that time comes 1 ms later."""
    if old is None:
        return new
    times = np.concatenate([old.times_s, new.times_s])
    values = np.concatenate([old.values, new.values])
    states = np.concatenate([old.states, new.states])
    order = np.lexsort((np.arange(len(times)), times))
    kept: list[int] = []
    seen: set[tuple[float, bytes, int]] = set()
    for i in order:
        one = (float(times[i]), values[i].tobytes() if states[i] == State.SEEN else b"", int(states[i]))
        if one not in seen:
            seen.add(one)
            kept.append(int(i))
    milliseconds = np.rint(times[kept] * 1000).astype(np.int64)
    for i in range(1, len(milliseconds)):
        milliseconds[i] = max(milliseconds[i], milliseconds[i - 1] + 1)
    return Day(milliseconds / 1000, values[kept], states[kept])


def put_day(connection: Connection, day: int, number: int, new: Day, resolution: float) -> None:
    """Merge readings of one series and day into its block and its rollup."""
    whole = merged(_known(connection, day, [number]).get(number), new)
    put_blocks(connection, [{"id": day << 24 | number, "blob": pack(whole, resolution)}])
    put_rollups(connection, [{"day": day, "series": number, **rollup_of(whole)}])
    mark_changed(connection, BLOCKS, [day])


_MARK = text(
    "INSERT INTO changed_day (kind, day, change) "
    "VALUES (:kind, :day, (SELECT coalesce(max(change), 0) + 1 FROM changed_day)) "
    "ON CONFLICT (kind, day) DO UPDATE SET change = excluded.change"
)


def mark_changed(connection: Connection, kind: str, days: Iterable[int]) -> None:
    """Remember that days are not what they were: whoever has a copy of them takes them again."""
    for day in sorted(set(days)):
        connection.execute(_MARK, {"kind": kind, "day": day})


def put_blocks(connection: Connection, blocks: list[dict[str, Any]]) -> None:
    """Insert blocks, in place of those that are there."""
    if blocks:
        put = putting(connection, t.day_block)
        connection.execute(
            put.on_conflict_do_update(index_elements=["id"], set_={"blob": put.excluded.blob}),
            list({row["id"]: row for row in blocks}.values()),
        )


def put_rollups(connection: Connection, rollups: list[dict[str, Any]]) -> None:
    """Insert rollups, in place of those that are there."""
    if rollups:
        put = putting(connection, t.rollup_day)
        values = {name: put.excluded[name] for name in rollups[0] if name not in ("day", "series")}
        connection.execute(
            put.on_conflict_do_update(index_elements=["day", "series"], set_=values),
            list({(row["day"], row["series"]): row for row in rollups}.values()),
        )


def rollup_of(whole: Day) -> dict[str, float | int | None]:
    """What is kept of a day for ever. No light is counted apart: it has no mean."""
    counts = np.bincount(whole.states, minlength=4)
    values = whole.values[whole.states == State.SEEN]
    finite = values[np.isfinite(values)] if len(values) else values
    some = len(finite) > 0
    return {
        "n": len(finite),
        "lo": float(finite.min()) if some else None,
        "mean": float(finite.mean()) if some else None,
        "hi": float(finite.max()) if some else None,
        "last": float(finite[-1]) if some else None,
        "dark": len(values) - len(finite),
        "silent": int(counts[State.SILENT]),
        "absent": int(counts[State.ABSENT]),
        "garbled": int(counts[State.GARBLED]),
    }


def chunks(keys: Sequence[int]) -> Iterable[Sequence[int]]:
    """The keys, some hundred at a time."""
    return (keys[i : i + _AT_ONCE] for i in range(0, len(keys), _AT_ONCE))
