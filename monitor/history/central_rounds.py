"""Rounds of many sites into a centre's tables: whatever has come together goes together.

Each parcel is counted in its site's row, which says of which history its rows are; then all rows go by one COPY. What
is there already ends that, as after a line that was cut between the rows and the answer: the same once more by INSERT,
which looks at each row. Twice the work, for a parcel in thousands.
"""

import struct
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from monitor.history.central_records import NO_SOURCE, TAKEN, RoundsOf

Sourced = Sequence[tuple[int, RoundsOf]]
"""(source, parcel)."""

_COUNT = """
UPDATE centre.site AS t SET number = p.number, heard_s = p.now_s, alive_s = coalesce(p.alive_s, t.alive_s),
rounds = coalesce(p.up_to, t.rounds)
FROM unnest(
    %(sites)s::text[], %(numbers)s::bigint[], %(nows)s::float8[], %(alives)s::float8[], %(ups)s::bigint[]
) WITH ORDINALITY AS p (site, number, now_s, alive_s, up_to, n)
WHERE t.name = p.site AND t.number < p.number RETURNING p.n, t.source
"""
"""A site's cursor of rounds stands in its own row, which is written anyway."""
_COPY = "COPY centre.round_row (source, id, blob) FROM STDIN (FORMAT BINARY)"
_INSERT = """
INSERT INTO centre.round_row (source, id, blob)
SELECT * FROM unnest(%(sources)s::int[], %(ids)s::bigint[], %(blobs)s::bytea[]) ON CONFLICT (source, id) DO NOTHING
"""
_HEAD = b"PGCOPY\n\xff\r\n\x00" + struct.pack(">ii", 0, 0)
_ROW, _END = struct.Struct(">hiiiqi"), struct.pack(">h", -1)
"""PostgreSQL's binary COPY: three fields a row, each behind its length in octets."""


def put_rounds(raw: Any, parcels: Sequence[RoundsOf], put: Callable[[Any, Sourced], None]) -> list[str]:
    """Keep parcels in the transaction of a psycopg connection; for each why it is refused, or empty."""
    found = [TAKEN] * len(parcels)
    for order in _turns(parcels):
        sourced: list[tuple[int, RoundsOf]] = []
        for n, source in raw.execute(_COUNT, _told([parcels[i] for i in order]), binary=True, prepare=True):
            found[order[n - 1]] = NO_SOURCE if source is None else ""
            if source is not None:
                sourced.append((source, parcels[order[n - 1]]))
        put(raw, sourced)
    return found


def by_copy(raw: Any, sourced: Sourced) -> None:
    """Rows that are not there yet; raises the driver's UniqueViolation where one is."""
    octets = bytearray(_HEAD)
    for source, parcel in sourced:
        for number, blob in parcel.blobs:
            octets += _ROW.pack(3, 4, source, 8, number, len(blob)) + blob
    if len(octets) == len(_HEAD):
        return
    octets += _END
    with raw.cursor().copy(_COPY) as copy:
        copy.write(bytes(octets))


def by_insert(raw: Any, sourced: Sourced) -> None:
    """Rows of which some may be there."""
    rows = [(source, number, blob) for source, parcel in sourced for number, blob in parcel.blobs]
    if rows:
        sources, ids, blobs = map(list, zip(*rows, strict=True))
        raw.execute(_INSERT, {"sources": sources, "ids": ids, "blobs": blobs}, binary=True, prepare=True)


def _turns(parcels: Sequence[RoundsOf]) -> Iterator[list[int]]:
    """Which of them together: a row is changed once by one statement, so each site once; by its name, for ingesters
    that meet."""
    left = list(range(len(parcels)))
    while left:
        turn: dict[str, int] = {}
        for i in left:
            turn.setdefault(parcels[i].site, i)
        yield [turn[site] for site in sorted(turn)]
        left = [i for i in left if turn[parcels[i].site] != i]


def _told(parcels: Sequence[RoundsOf]) -> dict[str, list[Any]]:
    return {
        "sites": [one.site for one in parcels],
        "numbers": [one.number for one in parcels],
        "nows": [one.now_s for one in parcels],
        "alives": [one.alive_s for one in parcels],
        "ups": [one.up_to for one in parcels],
    }
