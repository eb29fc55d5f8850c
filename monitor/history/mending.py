"""A damaged history: put aside, and what can be read of it brought into a fresh one.

The small tables are taken over before anything new is written, so that their ids go on; days and rounds follow while
rounds are kept already. Whatever is interrupted is done again at the next start: taking over twice changes nothing.
"""

import os
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Table

from monitor.history.store import Store
from monitor.history.wreck import SMALL, TOP, Hole, Wreck

PREFIX = "history-damaged-"
LEFT_OUT = "left-out"
"""Kind of the event that says how many rows of small tables cannot be right."""


def put_aside(history: Path, at_s: float, why: str) -> Path:
    """Put a damaged history aside and a fresh one with its small tables in its place; where it now lies."""
    aside = history.with_name(f"{PREFIX}{datetime.fromtimestamp(at_s, UTC):%Y%m%dT%H%M%SZ}.sqlite")
    fresh = _fresh(history)
    _remove(fresh)
    with Store(fresh) as store:
        wreck = Wreck(history, _model(history))
        wreck.open()
        try:
            strays, left_out = wreck.strays()
            for table in SMALL:
                holes = len(wreck.holes)
                left_out += store.put_back(table, [row for one, row in strays if one is table])
                for batch in wreck.small(table):
                    left_out += store.put_back(table, batch)
                if len(wreck.holes) > holes or not wreck.readable:
                    store.spare_ids(table)
        finally:
            wreck.close()
            _remove(wreck.model)
        if left_out:
            store.note(at_s, LEFT_OUT, aside.name, str(left_out))
        store.note(at_s, "quarantined", aside.name, why)
    _swap(history, aside, fresh)
    return aside


def finish(history: Path) -> None:
    """End a putting aside that was interrupted between its two renames."""
    fresh, lying = _fresh(history), sorted(history.parent.glob(f"{PREFIX}*.sqlite"))
    if not history.exists() and fresh.exists() and lying:
        _swap(history, lying[-1], fresh)


def _swap(history: Path, aside: Path, fresh: Path) -> None:
    with suppress(FileNotFoundError):
        history.rename(aside)
    # A log belongs to its file: beside another it would be read into that one.
    with suppress(FileNotFoundError):
        _beside(history, "-wal").rename(_beside(aside, "-wal"))
    _beside(history, "-shm").unlink(missing_ok=True)
    fresh.rename(history)
    folder = os.open(history.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def waiting(store: Store, folder: Path) -> list[tuple[Path, str]]:
    """Files that have been put aside and whose days and rounds are not all taken over, with what was wrong."""
    done = {name for _, name, _ in store.notes("mended")}
    aside = [(folder / name, why) for _, name, why in store.notes("quarantined") if name not in done]
    return [(file, why) for file, why in aside if file.exists()]


def left_out(store: Store, aside: Path) -> int:
    """How many rows of the small tables of a file cannot be right."""
    return sum(int(number) for _, name, number in store.notes(LEFT_OUT) if name == aside.name)


def large(aside: Path) -> Iterator[tuple[Table, list[dict[str, Any]]] | str]:
    """Batches of days and rounds of a file that was put aside; at last, in words, what that was."""
    wreck = Wreck(aside, _model(aside))
    wreck.open()
    try:
        yield from wreck.large()
        wreck.look_for_holes()
    finally:
        wreck.close()
        _remove(wreck.model)
    yield _in_words(wreck)


def _in_words(wreck: Wreck) -> str:
    taken, holes = wreck.taken, wreck.holes
    found = f"{taken.get('day_block', 0)} days of a series and {taken.get('round_row', 0)} rounds were read again"
    if not any(taken.values()) and not wreck.readable:
        return "nothing could be read of it"
    if not holes:
        return f"{found}; nothing was lost"
    return f"{found}; not readable: {'; '.join(_hole(hole) for hole in holes[:5])}" + (
        f"; and {len(holes) - 5} more" if len(holes) > 5 else ""
    )


def _hole(hole: Hole) -> str:
    if hole.table == "round_row":
        return f"rounds {_stretch(hole, 16, 1, '%Y-%m-%d %H:%M:%SZ')}{_share(hole)}"
    if hole.table == "day_block":
        return f"single readings {_stretch(hole, 24, 86_400, '%Y-%m-%d')} (daily figures are kept apart){_share(hole)}"
    if hole.table in ("rollup_day", "feature_day"):
        return f"some daily figures of {_at(hole.low * 86_400):%Y-%m-%d}"
    return f"some of {hole.table.replace('_', ' ')}"


def _share(hole: Hole) -> str:
    """Of a stretch that SQLite cannot read, most rows may have been found page by page."""
    return f", except {hole.found} of them" if hole.found else ""


def _stretch(hole: Hole, bits: int, unit_s: int, form: str) -> str:
    low, high = (format(_at((key >> bits) * unit_s), form) for key in (hole.low, hole.high))
    if not hole.low:
        return f"up to {high}"
    return f"after {low}" if hole.high >= TOP else f"between {low} and {high}"


def _at(at_s: int) -> datetime:
    return datetime.fromtimestamp(min(at_s, 4_102_444_800), UTC)


def _model(history: Path) -> Path:
    """An empty history of this schema, whose head can be lent."""
    model = history.with_name(f"{history.stem}.model")
    _remove(model)
    Store(model).close()
    return model


def _fresh(history: Path) -> Path:
    return history.with_name(f"{history.name}.fresh")


def _beside(file: Path, suffix: str) -> Path:
    return file.with_name(file.name + suffix)


def _remove(file: Path) -> None:
    for one in (file, _beside(file, "-wal"), _beside(file, "-shm")):
        one.unlink(missing_ok=True)
