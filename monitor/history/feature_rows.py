"""Features of days: computed from the readings after the fold, kept for ever, computed again when their way changes."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from sqlalchemy import Connection, and_, exists, select

from monitor.facts.readings import Slot
from monitor.history import tables as t
from monitor.history.engine import Kept, putting
from monitor.history.fold import FEATURES, mark_changed
from monitor.margins.features import VERSION, Features


class FeatureRows(Kept):
    """The part of the store that keeps features."""

    def lacking(self, quantities: Sequence[str], most: int = 500) -> list[tuple[int, Slot]]:
        """(day, series) of these quantities that have readings and no features of today's way, oldest first."""
        f, r, s = t.feature_day.c, t.rollup_day.c, t.series.c
        there = exists().where(and_(f.day == r.day, f.series == r.series, f.version == VERSION))
        query = (
            select(r.day, s.resource, s.quantity)
            .join(t.series, s.id == r.series)
            .where(s.quantity.in_(quantities), r.n > 0, ~there)
            .order_by(r.day, r.series)
            .limit(most)
        )
        return self._look(lambda c: [(row[0], Slot(row[1], row[2])) for row in c.execute(query)])

    def put_features(self, found: Sequence[tuple[int, Slot, Features | None]]) -> None:
        """Keep features of single days; None: its readings have been given up, and nothing is asked for again."""

        def act(connection: Connection) -> None:
            rows = []
            for day, slot, features in found:
                where = (t.series.c.resource == slot.resource, t.series.c.quantity == slot.quantity)
                number = connection.execute(select(t.series.c.id).where(*where)).scalar_one()
                row: dict[str, Any] = {"day": day, "series": number, "version": VERSION, "n": 0}
                row |= dict.fromkeys(("midmean", "p5", "p95", "t_mean", "sxy", "sxx"))
                if features is not None and len(features):
                    row |= {"n": int(features.n[0])}
                    row |= {name: _number(getattr(features, name)[0]) for name in row if name in Features.__slots__[2:]}
                rows.append(row)
            if rows:
                put = putting(connection, t.feature_day)
                changed = {name: put.excluded[name] for name in rows[0] if name not in ("day", "series", "version")}
                keys = ["day", "series", "version"]
                connection.execute(put.on_conflict_do_update(index_elements=keys, set_=changed), rows)
                mark_changed(connection, FEATURES, [row["day"] for row in rows])

        self._act(act)

    def features(self, slot: Slot, from_day: int = 0, to_day: int | None = None) -> Features:
        """Features of a series from a day on, to ``to_day`` with it, oldest first; only days that have any."""
        f, s = t.feature_day.c, t.series.c
        query = (
            select(f.day, f.n, f.midmean, f.p5, f.p95, f.t_mean, f.sxy, f.sxx)
            .join(t.series, s.id == f.series)
            .where(s.resource == slot.resource, s.quantity == slot.quantity)
            .where(f.version == VERSION, f.n > 0, f.day >= from_day)
            .order_by(f.day)
        )
        query = query if to_day is None else query.where(f.day <= to_day)
        rows = self._look(lambda c: [tuple(row) for row in c.execute(query)])
        table = np.array(rows, np.float64).reshape(-1, 8)
        whole = (table[:, 0].astype(np.int64), table[:, 1].astype(np.int64))
        return Features(*whole, *(table[:, i] for i in range(2, 8)))


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
