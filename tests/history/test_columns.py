"""Columns tell when what lies in a stretch was read, and how much between first and last is not there."""

import numpy as np
import pytest

from monitor.facts.readings import State
from monitor.history.fold import DAY_S
from monitor.history.store import Store
from monitor.margins.rates import of_line
from tests.history.test_fold import DAY, OCTETS, RX, START_S, a_round, folded

BYTES_PER_S = 250_000.0
"""Two megabits a second, evenly."""


@pytest.mark.parametrize(("days", "points"), [(430, 320), (430, 200), (300, 320), (7, 320), (7, 97), (2, 320)])
def test_an_even_counter_has_an_even_rate_whatever_the_stretches(any_store: Store, days: int, points: int) -> None:
    """No zigzag where stretches and readings do not divide, none where it was asked by the minute for an hour or two.

    A day's highest value stands at the day's end, also where its last reading was an hour earlier: one of 24, 5 %.
    """
    end_s = START_S + days * DAY_S + 5000
    hours = [START_S + day * DAY_S + hour * 3600 for day in (2, 5) for hour in (3, 20)]
    often = [at_s + 60.0 * i for at_s in hours for i in range(120)]
    times = np.unique([*np.arange(START_S, end_s, 3600.0), *often])
    any_store.keep([a_round(at_s, -7.0, 50.0, float(int((at_s - START_S) * BYTES_PER_S))) for at_s in times.tolist()])
    folded(any_store, DAY + days)
    found = any_store.series(OCTETS, START_S + 1234, end_s, points)
    seen = np.isfinite(found.highs)
    rates = of_line(found.last_at_s[seen].tolist(), found.highs[seen].tolist())[1:]
    assert len(rates) > 40
    assert rates == pytest.approx([8e-6 * BYTES_PER_S] * len(rates), rel=0.05)


def test_what_is_not_there_is_counted_in_what_the_line_is_made_of(any_store: Store) -> None:
    days = [day for day in range(120) if day % 5]  # every fifth day there was no box
    rounds = [
        a_round(START_S + day * DAY_S + 3600 * hour, State.SILENT if (day, hour) == (7, 3) else -7.0, 50.0, 1.0)
        for day in days
        for hour in range(24)
    ]
    any_store.keep(rounds)
    folded(any_store, DAY + 200)
    by_day = any_store.series(RX, START_S, START_S + 120 * DAY_S, 100)
    assert by_day.resolution_s == DAY_S
    assert by_day.lacking == 23, "the first day is not between the first and the last"
    by_hour = any_store.series(RX, START_S + 6 * DAY_S, START_S + 9 * DAY_S - 1, 500)
    assert by_hour.lacking == 1
    with_gap = any_store.series(RX, START_S + 8 * DAY_S, START_S + 12 * DAY_S - 1, 500)
    assert with_gap.lacking == 24
