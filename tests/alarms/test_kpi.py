"""Figures of the alarm system after ISA-18.2 and EEMUA 191, counted by hand on small lists."""

import numpy as np

from monitor.alarms.book import Key
from monitor.alarms.kpi import DAY_S, Happened, figures


def raised(at_s: float, pole: str = "creek", lasts_s: float | None = 60.0, severity: str = "minor") -> Happened:
    return Happened(at_s, Key(pole, "light-low"), severity, None if lasts_s is None else at_s + lasts_s)


def test_a_quiet_month() -> None:
    found = figures([raised(DAY_S * i) for i in range(30)], 0.0, 30 * DAY_S)
    assert (found.raised, found.per_day) == (30, 1.0)
    assert (found.most_in_ten_minutes, found.floods, found.flooded_percent) == (1, 0, 0.0)
    assert (found.chattering, found.stale) == ((), ())
    assert found.top_ten == (("creek light-low", 30),)
    assert found.by_severity == (("minor", 30),)


def test_a_flood_is_more_than_ten_in_ten_minutes() -> None:
    ten = [raised(60.0 * i, f"p{i}") for i in range(10)]
    assert figures(ten, 0.0, DAY_S).floods == 0
    eleven = [*ten, raised(599.0, "p11")]
    found = figures(eleven, 0.0, DAY_S)
    assert (found.most_in_ten_minutes, found.floods) == (11, 1)
    assert 0.6 < found.flooded_percent < 0.7, "599 s of a day are 0.69 %"
    apart = [*eleven, *(raised(50_000 + 30.0 * i, f"q{i}") for i in range(11))]
    assert figures(apart, 0.0, DAY_S).floods == 2


def test_chattering_and_stale() -> None:
    rattle = [raised(1000.0 + 20 * i, "yards", 5.0) for i in range(3)]
    found = figures([*rattle, raised(5000.0, "ridge", None), raised(10.0, "creek", 2 * DAY_S)], 0.0, 3 * DAY_S)
    assert found.chattering == ("yards light-low",)
    assert found.stale == ("creek light-low", "ridge light-low")
    assert figures([raised(-5 * DAY_S, "ridge", 2 * DAY_S)], 0.0, DAY_S).stale == (), "over before the span began"


def test_the_ten_most_frequent_of_many() -> None:
    """As NumPy counts them."""
    rng = np.random.default_rng(3)
    poles = [f"p{n}" for n in rng.geometric(0.2, 400)]
    found = figures([raised(1000.0 * i, pole) for i, pole in enumerate(poles)], 0.0, 1e9)
    _, counts = np.unique(poles, return_counts=True)
    assert [n for _, n in found.top_ten] == sorted(counts.tolist(), reverse=True)[:10]
    assert found.top_ten_percent == 100 * sum(sorted(counts.tolist(), reverse=True)[:10]) / 400
