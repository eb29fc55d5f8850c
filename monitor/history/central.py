"""A centre's tables in PostgreSQL: the histories of many sites side by side, each row keyed by its source and id.

What a site sends is put in by its own ids, so that the same again changes nothing; a site's cursor moves in the same
transaction. Each parcel's number must be higher than the last one's.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, create_engine, event, text
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, ProgrammingError, SQLAlchemyError
from sqlalchemy.pool import QueuePool

from monitor.history import partitions
from monitor.history.central_records import NO_SOURCE, TAKEN, RoundsOf, SiteRow, StandingAlarm
from monitor.history.central_rounds import by_copy, by_insert, put_rounds
from monitor.history.central_rows import put_records, put_sheet
from monitor.history.engine import patience, shown
from monitor.history.fold import DAY_S
from monitor.history.outbound import CHANGES, DAYS, EVENTS, FEATURE_DAYS, KINDS, ROUNDS
from monitor.history.trouble import NotKept, Reason
from monitor.history.upgrading import upgrade_central

__all__ = ["KINDS", "Central", "RoundsOf", "SiteRow", "StandingAlarm"]


WRONG = Reason.WRONG
"""Why a parcel is not kept whose values fit no column: they will not fit later either."""


class Central:
    """All sites of one centre."""

    def __init__(self, url: str, at_once: int = 4) -> None:
        self.url, self._name = url, shown(url)
        try:
            self._engine = create_engine(
                url, poolclass=QueuePool, pool_size=at_once, max_overflow=2, connect_args=patience(url)
            )
        except (SQLAlchemyError, ImportError) as error:
            raise NotKept(f"{self._name}: {error}") from None
        if self._engine.dialect.name != "postgresql":
            raise NotKept(f"{self._name}: a centre keeps its sites in PostgreSQL: postgresql+psycopg://USER@HOST/NAME")
        # A site is told "kept" after this: only what is on the disk is kept, whatever the server's default is.
        event.listen(self._engine, "connect", _durable)
        self._partitions = partitions.Partitions()
        self._act(upgrade_central)

    def _act(self, change: Any) -> Any:
        try:
            with self._engine.begin() as connection:
                return change(connection)
        except DBAPIError as error:
            raise NotKept(f"{self._name}: {_first_line(error)}", WRONG if _is_wrong(error) else Reason.NONE) from error
        except SQLAlchemyError as error:
            raise NotKept(f"{self._name}: {error}") from error

    # ---- sites

    def add(self, site: str, key: str, now_s: float) -> bool:
        """Let a site in by its public key, or give it another one; whether it is new."""
        query = text(
            "INSERT INTO centre.site (name, key, added_s) VALUES (:name, :key, :now) "
            "ON CONFLICT (name) DO UPDATE SET key = excluded.key RETURNING xmax = 0"
        )
        return bool(self._act(lambda c: c.execute(query, {"name": site, "key": key, "now": now_s}).scalar_one()))

    def shut_out(self, site: str) -> bool:
        """Take nothing more of a site; what it has sent stays. Whether there is such a site."""
        query = text("UPDATE centre.site SET key = '' WHERE name = :name")
        return bool(self._act(lambda c: c.execute(query, {"name": site}).rowcount))

    def key_of(self, site: str) -> str | None:
        """The public key of a site; None where it is not let in."""
        query = text("SELECT key FROM centre.site WHERE name = :name AND key <> ''")
        found: str | None = self._act(lambda c: c.execute(query, {"name": site}).scalar())
        return found

    def sites(self) -> list[SiteRow]:
        """All sites by name."""
        query = text(
            "SELECT s.name, s.key, s.added_s, s.heard_s, s.alive_s, s.source, s.number, "
            "coalesce(o.history, '') AS history "
            "FROM centre.site s LEFT JOIN centre.source o ON o.id = s.source ORDER BY s.name"
        )
        return [SiteRow(**row) for row in self._act(lambda c: c.execute(query).mappings().all())]

    def standing(self) -> list[StandingAlarm]:
        """Every alarm that stands anywhere and that no other explains, newest first."""
        query = text(
            "SELECT s.name AS site, a.resource, a.type, a.severity, a.operator, a.text, a.root, a.raised_s "
            "FROM centre.site s JOIN centre.alarm a ON a.source = s.source AND NOT a.cleared "
            "WHERE a.root = '' ORDER BY a.raised_s DESC"
        )
        return [StandingAlarm(**row) for row in self._act(lambda c: c.execute(query).mappings().all())]

    def sheet(self, site: str, name: str) -> Any:
        """A sheet that a site has sent last; None where it has sent none."""
        query = text(
            "SELECT h.body FROM centre.sheet h JOIN centre.site s ON s.source = h.source "
            "WHERE s.name = :site AND h.name = :name"
        )
        body = self._act(lambda c: c.execute(query, {"site": site, "name": name}).scalar())
        return None if body is None else json.loads(body)

    def sheets(self, name: str) -> dict[str, Any]:
        """Site → the sheet of this name that it has sent last."""
        query = text(
            "SELECT s.name, h.body FROM centre.sheet h JOIN centre.site s ON s.source = h.source WHERE h.name = :name"
        )
        return {row[0]: json.loads(row[1]) for row in self._act(lambda c: c.execute(query, {"name": name}).all())}

    # ---- what sites send

    def known(self, site: str) -> tuple[str, int, dict[str, int], float | None, dict[str, str]]:
        """Of a site: name of its history, number of its last parcel, cursors, time of its newest change, digests."""

        def look(c: Connection) -> tuple[str, int, dict[str, int], float | None, dict[str, str]]:
            query = text(
                "SELECT s.number, s.source, coalesce(o.history, ''), s.rounds FROM centre.site s "
                "LEFT JOIN centre.source o ON o.id = s.source WHERE s.name = :site"
            )
            number, source, history, rounds = c.execute(query, {"site": site}).one()
            mine = {"source": source}
            cursors = c.execute(text("SELECT kind, at FROM centre.cursor WHERE source = :source"), mine)
            up_to = dict.fromkeys(KINDS, 0) | {str(row[0]): int(row[1]) for row in cursors} | {ROUNDS: int(rounds)}
            newest = text("SELECT at_s FROM centre.alarm_change WHERE source = :source ORDER BY id DESC LIMIT 1")
            sheets = c.execute(text("SELECT name, digest FROM centre.sheet WHERE source = :source"), mine)
            digests = {str(row[0]): str(row[1]) for row in sheets}
            return history, int(number), up_to, c.execute(newest, mine).scalar(), digests

        found: tuple[str, int, dict[str, int], float | None, dict[str, str]] = self._act(look)
        return found

    def keep(self, site: str, head: Mapping[str, Any], blobs: Sequence[tuple[int, bytes]], now_s: float) -> str:
        """Keep what a site has sent; empty once it is on the disk, or why it is refused."""
        kind = str(head.get("kind"))
        try:
            self._partitions.ensure(self._engine, partitions.needed(kind, head, blobs))
            refused: str = self._act(lambda c: _keep(c, site, kind, head, blobs, now_s))
        except DBAPIError as error:
            raise NotKept(f"{self._name}: {_first_line(error)}") from error
        except NotKept as error:
            if error.reason is not WRONG:
                raise
            return f"it is not as it should be: {_first_line(error.__cause__)}"  # not where these tables are
        except RecursionError:
            return "it is not as it should be: it is nested too deeply"
        except (KeyError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
            return f"it is not as it should be: {error!r:.200}"
        return refused

    def keep_rounds(self, parcels: Sequence[RoundsOf]) -> list[str]:
        """Keep rounds of several sites in one transaction; for each the same as ``keep``."""
        wanted: set[tuple[str, int]] = set()
        for one in parcels:
            wanted |= partitions.needed(ROUNDS, {}, one.blobs)
        driver: Any = self._engine.dialect.dbapi

        def keep(put: Any) -> list[str]:
            kept: list[str] = self._act(lambda c: put_rounds(c.connection.driver_connection, parcels, put))
            return kept

        try:
            self._partitions.ensure(self._engine, wanted)
            try:
                return keep(by_copy)
            except driver.errors.UniqueViolation:
                return keep(by_insert)
        except (DBAPIError, driver.Error) as error:
            if len(parcels) > 1:  # one that is not right must not take the others with it
                return [self.keep_rounds([one])[0] for one in parcels]
            if isinstance(error, driver.DataError):
                return [f"it is not as it should be: {_first_line(error)}"]
            raise NotKept(f"{self._name}: {_first_line(error)}") from error

    def tidy(self, now_s: float) -> int:
        """Drop days of rounds that are long over and empty; how many those were."""
        dropped: int = self._act(lambda c: partitions.drop_empty(c, now_s))
        return dropped

    def close(self) -> None:
        """Give the connections back."""
        self._engine.dispose()


def _first_line(error: BaseException | None) -> str:
    own = error.orig if isinstance(error, DBAPIError) else error
    return str(own).strip().split("\n")[0]


def _is_wrong(error: DBAPIError) -> bool:
    """Is it the values? The driver itself says so before it asks (no SQLSTATE), or the server of what it was given."""
    of_driver = isinstance(error, ProgrammingError) and getattr(error.orig, "sqlstate", None) is None
    return of_driver or isinstance(error, DataError | IntegrityError)


def _durable(connection: Any, _: object) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET synchronous_commit = on")
    connection.commit()


_COUNT = text(
    "UPDATE centre.site SET number = :number, heard_s = :now, alive_s = coalesce(:alive, alive_s) "
    "WHERE name = :site AND number < :number RETURNING id, source"
)
_SOURCE = text(
    "INSERT INTO centre.source (site, history, began_s) VALUES (:site, :history, :now) "
    "ON CONFLICT (site, history) DO UPDATE SET history = excluded.history RETURNING id"
)
_BEGIN = text(
    # Of a history that is taken up again all rounds of the last days are asked for anew: none twice, none missing.
    "UPDATE centre.site SET source = :new, rounds = CASE WHEN source = :new THEN rounds ELSE 0 END WHERE id = :site"
)
_MOVE = text(
    "INSERT INTO centre.cursor (source, kind, at) VALUES (:source, :kind, :at) "
    "ON CONFLICT (source, kind) DO UPDATE SET at = excluded.at"
)


def _keep(
    c: Connection, site: str, kind: str, head: Mapping[str, Any], blobs: Sequence[tuple[int, bytes]], now_s: float
) -> str:
    alive_s = float(head["alive_s"]) if "alive_s" in head else None
    row = c.execute(_COUNT, {"site": site, "number": int(head["number"]), "now": now_s, "alive": alive_s}).first()
    if row is None:
        return TAKEN
    site_id, source = row
    if kind == "begin":
        wanted = {"site": site_id, "history": str(head["history"]), "now": now_s}
        new = c.execute(_SOURCE, wanted).scalar_one()
        c.execute(_BEGIN, {"new": new, "site": site_id})
        return ""
    if kind == "alive":
        return ""
    if source is None:
        return NO_SOURCE
    if kind == ROUNDS:
        raise ValueError("rounds are kept by keep_rounds")
    _put(c, source, kind, head, blobs)
    if head.get("up_to") is not None:
        c.execute(_MOVE, {"source": source, "kind": kind, "at": int(head["up_to"])})
    return ""


def _put(c: Connection, source: int, kind: str, head: Mapping[str, Any], blobs: Sequence[tuple[int, bytes]]) -> None:
    if kind == "sheet":
        put_sheet(c, source, str(head["name"]), str(head["digest"]), str(head["text"]))
    elif kind == DAYS:
        _put_day(c, source, head, blobs)
    elif kind == FEATURE_DAYS:
        put_records(c, "feature_day", source, head["records"])
    elif kind == EVENTS:
        put_records(c, "event", source, head["records"])
    elif kind == CHANGES:
        put_records(c, "alarm", source, list({one["now"]["id"]: one["now"] for one in head["records"]}.values()))
        put_records(
            c, "alarm_change", source, [{k: v for k, v in one.items() if k != "now"} for one in head["records"]]
        )
    else:
        raise ValueError(f"kind {kind!r}")


def _put_blobs(c: Connection, table: str, then: str, source: int, blobs: Sequence[tuple[int, bytes]]) -> None:
    # One statement however many rows: the ids and the blobs go as two arrays.
    c.exec_driver_sql(
        f"INSERT INTO centre.{table} (source, id, blob) SELECT %s, * FROM unnest(%s::bigint[], %s::bytea[]) "
        f"ON CONFLICT (source, id) DO {then}",
        (source, [number for number, _ in blobs], [blob for _, blob in blobs]),
    )


def _put_day(c: Connection, source: int, head: Mapping[str, Any], blobs: Sequence[tuple[int, bytes]]) -> None:
    """A part of a day: until its last part has come the day's blocks are not shown; then its rounds are not needed."""
    day = int(head["day"])
    mine = {"source": source, "day": day}
    c.execute(text("INSERT INTO centre.day_coming VALUES (:source, :day) ON CONFLICT DO NOTHING"), mine)
    if blobs:
        numbered = [(day << 24 | series, blob) for series, blob in blobs]
        _put_blobs(c, "day_block", "UPDATE SET blob = excluded.blob", source, numbered)
    put_records(c, "rollup_day", source, head.get("records", []))
    if head.get("up_to") is None:
        return
    from_s, to_s = int(head["from_s"]), int(head["to_s"])
    if not 0 <= from_s < to_s <= from_s + 2 * DAY_S:
        raise ValueError("a day that is none")
    first, end = from_s << 16, to_s << 16
    bounds = {"source": source, "first": first, "end": end}
    c.execute(text("DELETE FROM centre.round_row WHERE source = :source AND id >= :first AND id < :end"), bounds)
    c.execute(text("DELETE FROM centre.day_coming WHERE source = :source AND day = :day"), mine)
