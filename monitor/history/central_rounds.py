"""Rounds of many sites into a centre's tables: whatever has come together is one question to PostgreSQL."""

from collections.abc import Sequence
from typing import Any

from monitor.history.central_records import NO_SOURCE, TAKEN, RoundsOf

_PUT = """
WITH p AS MATERIALIZED (
    SELECT * FROM unnest(
        %(sites)s::text[], %(numbers)s::bigint[], %(nows)s::float8[], %(alives)s::float8[], %(ups)s::bigint[]
    ) WITH ORDINALITY AS p (site, number, now_s, alive_s, up_to, n)
), s AS (
    UPDATE centre.site AS t SET number = p.number, heard_s = p.now_s, alive_s = coalesce(p.alive_s, t.alive_s),
    rounds = coalesce(p.up_to, t.rounds)
    FROM p WHERE t.name = p.site AND t.number < p.number RETURNING p.n, t.source
), r AS (
    INSERT INTO centre.round_row (source, id, blob)
    SELECT s.source, u.id, u.blob
    FROM unnest(%(of)s::bigint[], %(ids)s::bigint[], %(blobs)s::bytea[]) AS u (n, id, blob) JOIN s ON s.n = u.n
    WHERE s.source IS NOT NULL ON CONFLICT (source, id) DO NOTHING
)
SELECT n, source FROM s
"""
"""A farm sends one parcel each minute. Its cursor stands in the site's own row, which is written anyway."""


def put_rounds(raw: Any, parcels: Sequence[RoundsOf]) -> list[str]:
    """Keep parcels in the transaction of a psycopg connection; for each why it is refused, or empty."""
    found = [TAKEN] * len(parcels)
    left = list(range(len(parcels)))
    while left:
        # A row is changed once by one statement, so each site once; by its name, for ingesters that meet.
        turn: dict[str, int] = {}
        for i in left:
            turn.setdefault(parcels[i].site, i)
        order = [turn[site] for site in sorted(turn)]
        for n, source in raw.execute(_PUT, _values([parcels[i] for i in order]), binary=True, prepare=True):
            found[order[n - 1]] = NO_SOURCE if source is None else ""
        left = [i for i in left if turn[parcels[i].site] != i]
    return found


def _values(parcels: Sequence[RoundsOf]) -> dict[str, Any]:
    of, ids, blobs = [], [], []
    for n, parcel in enumerate(parcels, 1):
        for number, blob in parcel.blobs:
            of.append(n)
            ids.append(number)
            blobs.append(blob)
    return {
        "sites": [one.site for one in parcels],
        "numbers": [one.number for one in parcels],
        "nows": [one.now_s for one in parcels],
        "alives": [one.alive_s for one in parcels],
        "ups": [one.up_to for one in parcels],
        "of": of,
        "ids": ids,
        "blobs": blobs,
    }
