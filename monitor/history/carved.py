"""Rows that were found page by page, given to their tables: by where they stand, or else by what they look like."""

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import Column, Float, Table, UniqueConstraint

from monitor.facts.quantities import QUANTITIES
from monitor.history import tables as t
from monitor.history.fitting import DAY_S, FIRST_DAY, LAST_DAY, typed
from monitor.history.pages import Pages, Row

_ROUNDS = range((FIRST_DAY * DAY_S) << 16, (LAST_DAY * DAY_S) << 16)
_BLOCKS = range(FIRST_DAY << 24, LAST_DAY << 24)
_FIGURES = {len(table.columns): table for table in (t.rollup_day, t.feature_day)}


def large_rows(pages: Pages) -> Iterator[tuple[Table, dict[str, Any]]]:
    """Rounds, blocks and daily figures, wherever in the file they stand. What leads to their pages is not needed."""
    for _, rows in pages.rows():
        for row in rows:
            table = _large(row)
            if table is not None:
                yield table, named(table, [column.name for column in table.columns], row)


def _large(row: Row) -> Table | None:
    """Its table: ids of rounds and of blocks lie far apart, and daily figures are told by their number."""
    if row.id is None:
        return _FIGURES.get(len(row.values)) if all(not isinstance(one, str | bytes) for one in row.values) else None
    if len(row.values) != 2 or not isinstance(row.values[1], bytes):
        return None
    if row.id in _ROUNDS:
        return t.round_row
    return t.day_block if row.id in _BLOCKS else None


def small_rows(pages: Pages, roots: Sequence[int], table: Table, names: Sequence[str]) -> Iterator[dict[str, Any]]:
    """Rows of a small table on the pages that its root leads to, each for itself."""
    for number in (number for root in roots for number in pages.below(root)):
        for row in pages.on(number):
            if row.id is not None and 0 < len(row.values) <= len(names):
                yield named(table, names, row)


def strays(pages: Pages, tables: Sequence[Table]) -> Iterator[tuple[Table, dict[str, Any]] | None]:
    """Rows on pages that no root leads to any more, each with the one table that it fits; None where several do.

    A table whose root is known is likelier to have its pages below that than another whose root is lost.
    """
    roots = list(pages.roots())
    reached = {number for _, _, root in roots for number in pages.below(root)}
    rooted = {name for kind, name, _ in roots if kind == "table"}
    for number, rows in pages.rows():
        for row in rows if number not in reached else ():
            if row.id is None or _large(row) is not None:
                continue
            fitting = [
                (table, found)
                for table in tables
                if len(row.values) == len(table.columns)
                and typed(table, found := named(table, [column.name for column in table.columns], row))
            ]
            likelier = [one for one in fitting if one[0].name not in rooted] or fitting
            if likelier:
                yield likelier[0] if len(likelier) == 1 else None


def indexed_rows(pages: Pages, roots: Sequence[int], table: Table) -> Iterator[dict[str, Any]]:
    """Names as they stand once more in the index that keeps them unique, with what follows from them."""
    unique = next(one for one in table.constraints if isinstance(one, UniqueConstraint))
    names = [*(column.name for column in unique.columns), "id"]
    for number in (number for root in roots for number in pages.below(root)):
        for row in pages.on(number):
            if row.id is not None or len(row.values) != len(names):
                continue
            found = dict(zip(names, row.values, strict=True))
            if table is t.layout:
                found["valid_from_s"] = 0.0
            if table is t.series:
                quantity = QUANTITIES.get(str(found["quantity"]))
                if quantity is None:
                    continue
                found |= {"unit": quantity.unit, "resolution": quantity.resolution}
            yield found


def named(table: Table, names: Sequence[str], row: Row) -> dict[str, Any]:
    """A row by the names of its columns; those that it was written before are left to their defaults."""
    found = dict(zip(names, row.values, strict=False))
    if "id" in found and row.id is not None:
        found["id"] = row.id
    # A whole number in a column of reals is kept as an integer (SQLite's data types, section 3.3).
    return {name: _as_column(table.c[name], one) for name, one in found.items()}


def _as_column(column: Column[Any], value: Any) -> Any:
    return float(value) if isinstance(value, int) and isinstance(column.type, Float) else value
