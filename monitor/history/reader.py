"""One reader for everybody: a series, from, to, at most N points → columns."""

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select, text

from monitor.facts.readings import Slot, State
from monitor.history import tables as t
from monitor.history.codec import unpack

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Columns:
    """Readings in at most N equal stretches of time; NaN where nothing was seen, −inf for no light.

    ``resolution_s`` is the distance between readings over most of the time, ``latest_resolution_s`` at its end
    (0: fewer than two).
    """

    times_s: Floats
    lows: Floats
    means: Floats
    highs: Floats
    seen: NDArray[np.int64]
    missed: NDArray[np.int64]
    resolution_s: float
    latest_resolution_s: float


def read(connection: Connection, slot: Slot, from_s: float, to_s: float, points: int) -> Columns:
    """One series between two times (UTC seconds) in at most ``points`` stretches."""
    times, values, states = _raw(connection, slot, from_s, to_s)
    edges = np.linspace(from_s, to_s, points + 1)
    which = np.clip(np.searchsorted(edges, times, side="right") - 1, 0, points - 1)
    shape = points
    lows, highs = np.full(shape, np.inf), np.full(shape, -np.inf)
    seen = states == State.SEEN
    sums, counts = np.zeros(shape), np.zeros(shape, np.int64)
    finite = seen & np.isfinite(values)
    np.add.at(sums, which[finite], values[finite])
    np.add.at(counts, which[finite], 1)
    np.minimum.at(lows, which[seen], values[seen])
    np.maximum.at(highs, which[seen], values[seen])
    missed = np.bincount(which[~seen], minlength=shape)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
    dark = (counts == 0) & (np.bincount(which[seen], minlength=shape) > 0)
    means[dark] = -np.inf
    empty = np.isinf(lows) & (lows > 0)
    lows[empty] = highs[empty] = np.nan
    return Columns((edges[:-1] + edges[1:]) / 2, lows, means, highs, counts, missed, *_resolution(times))


def _resolution(times: Floats) -> tuple[float, float]:
    """Distance between readings that holds for most of the time, and the distance at the end [s]."""
    if len(times) < 2:
        return 0.0, 0.0
    steps = np.diff(times)
    in_order = np.sort(steps)
    usual = in_order[np.searchsorted(np.cumsum(in_order), in_order.sum() / 2)]
    return float(usual), float(np.median(steps[-60:]))


def _raw(connection: Connection, slot: Slot, from_s: float, to_s: float) -> tuple[Floats, Floats, NDArray[np.uint8]]:
    """Every reading of a series in time order; rows that are damaged are left out."""
    where = (t.series.c.resource == slot.resource, t.series.c.quantity == slot.quantity)
    series = connection.execute(select(t.series.c.id).where(*where)).scalar()
    if series is None:
        return np.empty(0), np.empty(0), np.empty(0, np.uint8)
    place: dict[int, int] = {}
    slots: set[int] = set()
    for row in connection.execute(select(t.layout)):
        ids = struct.unpack(f"<{len(row.series_ids) // 4}I", row.series_ids)
        if series in ids:
            place[row.id] = ids.index(series)
            slots.add(row.slot)
    found: list[tuple[float, float, int]] = []
    query = text("SELECT id, blob FROM round_row WHERE id BETWEEN :low AND :high AND (id & 65535) = :slot ORDER BY id")
    for device in slots:
        bounds = {"low": int(from_s) << 16, "high": (int(to_s) << 16) | 0xFFFF, "slot": device}
        for row_id, blob in connection.execute(query, bounds):
            try:
                layout, values, states = unpack(blob)
            except ValueError:
                continue  # a damaged row is one reading less, never a wrong one
            i = place.get(layout)
            if i is not None:
                found.append((float(row_id >> 16), values[i], states[i]))
    found.sort()
    table = np.array(found, dtype=np.float64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2].astype(np.uint8)
