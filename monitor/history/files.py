"""Readings in and out as tables: CSV, and Parquet where pyarrow is installed."""

import csv
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import IO, Any

import numpy as np

from monitor.facts.quantities import QUANTITIES
from monitor.facts.readings import Slot, State
from monitor.history.blocks import Day
from monitor.history.columns import NOT_ASKED
from monitor.history.store import Store

READINGS = ("time", "resource", "quantity", "unit", "value", "state")
STRETCHES = ("time", "resource", "quantity", "unit", "min", "mean", "max", "seen", "missed", "state")
_BATCH = 50_000
_STATES = {State.SEEN: "seen", State.SILENT: "silent", State.ABSENT: "absent", State.GARBLED: "garbled"}
_WORDS = {int(state): word for state, word in _STATES.items()} | {NOT_ASKED: "not asked"}


class BadTable(ValueError):
    """A table that cannot be taken in; the message names file, line and column."""


def table(
    store: Store, slots: Sequence[Slot], from_s: float, to_s: float, points: int | None
) -> Iterator[dict[str, Any]]:
    """Rows in the order of series and time: every reading, or ``points`` stretches of each series."""
    for slot in slots:
        of = {"resource": slot.resource, "quantity": slot.quantity, "unit": QUANTITIES[slot.quantity].unit}
        if points is None:
            day = store.readings(slot, from_s, to_s)
            for at_s, value, state in zip(day.times_s.tolist(), day.values.tolist(), day.states.tolist(), strict=True):
                yield {"time": _time(at_s), **of, "value": _number(value), "state": _WORDS[state]}
        else:
            c = store.series(slot, from_s, to_s, points)
            numbers = (c.times_s, c.lows, c.means, c.highs, c.seen, c.missed, c.states)
            for at_s, low, mean, high, seen, missed, state in zip(*(n.tolist() for n in numbers), strict=True):
                row = {"min": _number(low), "mean": _number(mean), "max": _number(high), "seen": seen, "missed": missed}
                yield {"time": _time(at_s), **of, **row, "state": _WORDS[state]}


def write_csv(rows: Iterator[dict[str, Any]], names: Sequence[str], to: IO[str]) -> int:
    """Write rows with their heading; how many those were. What was not seen is an empty cell, never 0."""
    writer = csv.DictWriter(to, names)
    writer.writeheader()
    n = 0
    for n, row in enumerate(rows, 1):  # noqa: B007  # counted, and the last count is the answer
        writer.writerow(row | {"time": stamp(row["time"].timestamp())})
    return n


def write_parquet(rows: Iterator[dict[str, Any]], names: Sequence[str], to: Path) -> int:
    """The same as Parquet; raises ModuleNotFoundError where pyarrow is missing."""
    import pyarrow as pa
    from pyarrow import parquet

    kinds = {"time": pa.timestamp("ms", "UTC"), "seen": pa.int64(), "missed": pa.int64()}
    kinds |= dict.fromkeys(("value", "min", "mean", "max"), pa.float64())
    schema = pa.schema([(name, kinds.get(name, pa.string())) for name in names])
    n = 0
    with parquet.ParquetWriter(to, schema) as writer:
        batch: list[dict[str, Any]] = []
        for row in rows:
            batch.append(row)
            if len(batch) == _BATCH:
                writer.write_table(pa.Table.from_pylist(batch, schema))
                n, batch = n + len(batch), []
        writer.write_table(pa.Table.from_pylist(batch, schema))
    return n + len(batch)


def stamp(at_s: float) -> str:
    """A time as ISO 8601 in UTC.

    >>> stamp(0.0)
    '1970-01-01T00:00:00Z'
    """
    return _time(at_s).isoformat().replace("+00:00", "Z")


def _time(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value


@dataclass(frozen=True, slots=True)
class Taken:
    """What a table held: a day's worth of columns for each series."""

    series: dict[Slot, Day]
    rows: int


def read_csv(file: Path, columns: Mapping[str, Slot], time_column: str, zone: tzinfo) -> Taken:
    """Readings of a CSV table, one column a series; raises BadTable.

    Times are ISO 8601 (without an offset: in ``zone``) or seconds since 1970. An empty cell is no reading. A value
    that the quantity cannot have is refused with its line: it is either the wrong column or the wrong unit.
    """
    times: dict[Slot, list[float]] = {slot: [] for slot in columns.values()}
    values: dict[Slot, list[float]] = {slot: [] for slot in columns.values()}
    line = 1
    with file.open(encoding="utf-8-sig", newline="") as opened:
        reader = csv.DictReader(opened)
        lacking = [name for name in (time_column, *columns) if name not in (reader.fieldnames or ())]
        if lacking:
            there = ", ".join(reader.fieldnames or ()) or "none"
            raise BadTable(f"{file}: line 1: there is no column {', '.join(lacking)}; its columns are {there}")
        for row in reader:
            line = reader.line_num
            at_s = when(row[time_column], zone, f"{file}: line {line}: {time_column}")
            for name, slot in columns.items():
                text = (row[name] or "").strip()
                if text:
                    times[slot].append(at_s)
                    values[slot].append(_checked(text, slot, f"{file}: line {line}: {name}"))
    series = {slot: _day(times[slot], values[slot]) for slot in times}
    return Taken(series, line - 1)


def when(text: str | None, zone: tzinfo, where: str) -> float:
    """A cell as UTC seconds: ISO 8601 (without an offset: in ``zone``) or seconds since 1970; raises BadTable."""
    text = (text or "").strip()
    try:
        return float(text)
    except ValueError:
        pass
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise BadTable(f"{where}: {text!r} is neither an ISO 8601 time nor seconds since 1970") from None
    return (at if at.tzinfo else at.replace(tzinfo=zone)).timestamp()


def _checked(text: str, slot: Slot, where: str) -> float:
    quantity = QUANTITIES[slot.quantity]
    try:
        value = float(text)
    except ValueError:
        raise BadTable(f"{where}: {text!r} is not a number") from None
    if not quantity.plausible(value):
        unit = f" {quantity.unit}" if quantity.unit else ""
        raise BadTable(f"{where}: {text} is outside {quantity.low:g} to {quantity.high:g}{unit} of {quantity.name}")
    return value


def _day(times: list[float], values: list[float]) -> Day:
    order = np.argsort(np.array(times, np.float64), kind="stable")
    return Day(np.array(times, np.float64)[order], np.array(values, np.float64)[order], np.zeros(len(times), np.uint8))


def write_wide(times_s: Sequence[float], columns: Mapping[str, Any], to: Path) -> Path:
    """A table with a column for each series (NaN: not seen), as Parquet where pyarrow is, else CSV; where it is."""
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ModuleNotFoundError:
        to = to.with_suffix(".csv")
        with to.open("w", encoding="utf-8", newline="") as opened:
            writer = csv.writer(opened)
            writer.writerow(["time", *columns])
            for at_s, *values in zip(times_s, *columns.values(), strict=True):
                writer.writerow([stamp(at_s), *("" if math.isnan(value) else value for value in values)])
        return to
    to = to.with_suffix(".parquet")
    stamps = pa.array([round(at_s * 1000) for at_s in times_s], pa.timestamp("ms", "UTC"))
    arrays = [pa.array(values, pa.float64(), from_pandas=True) for values in columns.values()]
    parquet.write_table(pa.table([stamps, *arrays], ["time", *columns]), to)
    return to
