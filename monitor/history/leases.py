"""Leases in the history's own database: what several processes share, each does alone, and a dead one's goes on.

Time is the database's: the processes' own clocks need not agree. Whoever holds a lease must stop by himself before it
ends; whoever wants one takes what nobody holds, and never waits for another (FOR UPDATE SKIP LOCKED).
"""

from collections.abc import Sequence

from sqlalchemy import Connection, delete, func, insert, select, text

from monitor.history import tables as t
from monitor.history.engine import Kept, putting
from monitor.history.trouble import NotKept

_NOW = "extract(epoch FROM clock_timestamp())"
LONGEST_S = 3600
"""No lease lasts for longer: one that ends later, or at no time, is of a clock gone wrong or of somebody's hand."""
_STANDS = f"until_s BETWEEN {_NOW} AND {_NOW} + {LONGEST_S}"
_TAKE = text(
    f"WITH free AS (SELECT name FROM lease WHERE name = ANY(:names) AND (holder = :holder OR NOT {_STANDS}) "
    "ORDER BY (holder = :holder) DESC, until_s, name LIMIT :most FOR UPDATE SKIP LOCKED) "
    f"UPDATE lease SET holder = :holder, until_s = {_NOW} + :lasts FROM free WHERE lease.name = free.name "
    "RETURNING lease.name"
)
_COUNT = text(f"SELECT count(*) FROM lease WHERE name LIKE :prefix AND {_STANDS}")
_GIVE = text("UPDATE lease SET until_s = 0 WHERE holder = :holder AND name = ANY(:names)")


class Leases(Kept):
    """The part of the store that says who does what; only in PostgreSQL, since a file has one writer."""

    def take(self, names: Sequence[str], holder: str, lasts_s: float, most: int | None = None) -> set[str]:
        """Take or renew up to ``most`` of these leases, one's own first; those that are held now."""

        def act(connection: Connection) -> set[str]:
            if connection.dialect.name != "postgresql":
                raise NotKept(f"{self._name}: several can share a history in PostgreSQL only")
            rows = [{"name": name, "holder": "", "until_s": 0.0} for name in names]
            connection.execute(putting(connection, t.lease).on_conflict_do_nothing(), rows)
            wanted = {"names": list(names), "holder": holder, "lasts": lasts_s}
            found = connection.execute(_TAKE, {**wanted, "most": len(names) if most is None else most})
            return {str(row[0]) for row in found}

        return self._act(act) if names else set()

    def give_back(self, names: Sequence[str], holder: str) -> None:
        """End leases before their time, so that nobody waits for them."""
        if names:
            self._act(lambda connection: connection.execute(_GIVE, {"holder": holder, "names": list(names)}))

    def holders(self, prefix: str) -> int:
        """How many leases stand whose names begin so."""
        return self._look(lambda connection: int(connection.execute(_COUNT, {"prefix": f"{prefix}%"}).scalar_one()))

    def pass_on(self, bodies: Sequence[bytes]) -> None:
        """Leave something for whoever holds the book."""
        if bodies:
            rows = [{"body": body} for body in bodies]
            self._act(lambda connection: connection.execute(insert(t.passed_on), rows))

    def passed(self, most: int = 1000) -> list[bytes]:
        """Take what was left, oldest first: it is gone then."""

        def act(connection: Connection) -> list[bytes]:
            ids = select(t.passed_on.c.id).order_by(t.passed_on.c.id).limit(most)
            gone = delete(t.passed_on).where(t.passed_on.c.id.in_(ids)).returning(t.passed_on.c.id, t.passed_on.c.body)
            return [bytes(row[1]) for row in sorted(connection.execute(gone).all(), key=lambda row: row[0])]

        return self._act(act)

    def last_rounds(self, devices: Sequence[str], tier: str, since_s: float) -> dict[str, float]:
        """Device → when its newest round of a tier was kept, whoever asked it."""

        def look(connection: Connection) -> dict[str, float]:
            s = t.device_slot.c
            slots = connection.execute(select(s.id, s.device).where(s.tier == tier, s.device.in_(devices))).all()
            found = {}
            for slot, device in slots:
                r = t.round_row.c
                mine = r.id.op("&")(0xFFFF) == slot
                newest = select(func.max(r.id)).where(mine, r.id >= int(since_s) << 16)
                key = connection.execute(newest).scalar()
                if key is not None:
                    found[str(device)] = float(key >> 16)
            return found

        return self._look(look)
