"""Figures of the alarm system after ISA-18.2 and EEMUA 191, counted by hand on small lists."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.book import Key
from monitor.alarms.kpi import Happened, figures

DAY_S = 86_400.0


def raised(at_s: float, pole: str = "creek", lasts_s: float | None = 60.0, severity: str = "minor") -> Happened:
    return Happened(at_s, Key(pole, "light-low"), severity, None if lasts_s is None else at_s + lasts_s)


def test_a_quiet_month() -> None:
    found = figures([raised(DAY_S * i) for i in range(30)], 0.0, 30 * DAY_S)
    assert (found.raised, found.per_day) == (30, 1.0)
    assert (found.most_in_ten_minutes, found.floods, found.flooded_percent) == (1, 0, 0.0)
    assert (found.chattering, found.stale) == ((), ())
    assert found.top_ten == ((Key("creek", "light-low"), 30),)
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


def test_of_a_span_in_which_nothing_happened() -> None:
    for until_s in (0.0, DAY_S):
        found = figures([], 0.0, until_s)
        assert (found.raised, found.per_day, found.top_ten_percent) == (0, 0.0, 0.0)
        assert (found.most_in_ten_minutes, found.floods, found.flooded_percent) == (0, 0, 0.0)
        assert (found.top_ten, found.by_severity) == ((), ())


def test_what_a_span_holds_begins_with_it_and_ends_before_its_end() -> None:
    """Two spans that follow one another count each raise once."""
    raises = [raised(at_s) for at_s in (0.0, 10.0, DAY_S / 2)]
    first, second = figures(raises, 0.0, DAY_S / 2), figures(raises, DAY_S / 2, DAY_S)
    assert (first.raised, second.raised) == (2, 1)
    assert (first.per_day, second.per_day) == (4.0, 2.0)


def test_ten_minutes_are_over_after_ten_minutes() -> None:
    eleven = [raised(60.0 * i, f"p{i}") for i in range(11)]
    found = figures(eleven, 0.0, DAY_S)
    assert (found.most_in_ten_minutes, found.floods) == (10, 0), "the eleventh comes when the first is ten minutes old"


@pytest.mark.parametrize(
    ("at_s", "chatters"),
    [((0.0, 59.9), False), ((0.0, 30.0, 59.9), True), ((0.0, 30.0, 60.0), False), ((0.0, 50.0, 100.0, 109.0), True)],
)
def test_an_alarm_chatters_that_is_raised_three_times_in_a_minute(at_s: tuple[float, ...], chatters: bool) -> None:
    """ISA-18.2-2016, 16: three or more in a minute is a starting point for what chatters (from memory)."""
    found = figures([raised(one, lasts_s=1.0) for one in at_s], 0.0, DAY_S)
    assert bool(found.chattering) is chatters


@pytest.mark.parametrize(
    ("at_s", "lasts_s", "stale"),
    [
        (0.0, DAY_S, False),
        (0.0, DAY_S + 0.5, True),
        (2 * DAY_S, None, False),
        (2 * DAY_S - 0.5, None, True),
        (2 * DAY_S - 0.5, 9 * DAY_S, True),
        (4 * DAY_S, None, False),
        (-2 * DAY_S, 2 * DAY_S, False),
        (-2 * DAY_S, 2 * DAY_S + 0.5, True),
    ],
)
def test_an_alarm_is_stale_that_stands_for_more_than_a_day(at_s: float, lasts_s: float | None, stale: bool) -> None:
    """ISA-18.2-2016, 16: annunciated for more than 24 hours (from memory); not what was over before."""
    assert bool(figures([raised(at_s, lasts_s=lasts_s)], 0.0, 3 * DAY_S).stale) is stale


@given(st.lists(st.integers(0, 2_000), max_size=60), st.lists(st.integers(0, 100_000), max_size=40))
def test_floods_as_one_counts_them_second_by_second(close: list[int], far: list[int]) -> None:
    """EEMUA 191 (from memory): more than ten in ten minutes. Each second that lies within such eleven is flooded."""
    at = sorted([*close, *far])
    flooded = set[int]()
    for first, last in zip(at, at[10:], strict=False):
        if last - first < 600:
            flooded |= set(range(first, last))
    found = figures([raised(float(one)) for one in at], 0.0, 200_000.0)
    assert found.most_in_ten_minutes == max((sum(b - 600 < a <= b for a in at) for b in at), default=0)
    assert found.flooded_percent == pytest.approx(len(flooded) / 2000)
    assert found.floods >= sum(second - 1 not in flooded for second in flooded), "one for each stretch of seconds"
