"""What was usual lately: a step stands out for a day, a drift does not, traffic is compared with its own hour."""

import math

import pytest

from monitor.facts.readings import Layout, Round, Slot, State
from monitor.margins.norms import SETTLED_S, Norms

DAY_S = 86_400.0
LIGHT, TRAFFIC = Slot("office/optic/9", "rx_dbm"), Slot("creek/port/1", "in_megabits_per_s")
LINK, COUNT = Slot("office/port/9", "link_state"), Slot("creek/port/1", "short_count")
PERCENT = Slot("supply/ridge", "battery_percent")
LAYOUT = Layout("creek/switch", "measure", (LIGHT, TRAFFIC, LINK, COUNT, PERCENT))


def put(norms: Norms, at_s: float, **values: float) -> None:
    one = Round.blank(LAYOUT, at_s, State.SILENT)
    for slot, name in ((LIGHT, "light"), (TRAFFIC, "traffic"), (LINK, "link"), (COUNT, "count"), (PERCENT, "percent")):
        if name in values:
            one.put(LAYOUT.index[slot], values[name])
    norms.take(one)


def test_a_norm_needs_hours_and_follows_slowly() -> None:
    norms = Norms()
    for i in range(60):
        put(norms, i * 600.0, light=-7.0)
        assert (norms.norm(LIGHT, i * 600.0) is None) == (i * 600.0 < SETTLED_S)
    put(norms, 36_000.0, light=-9.0)
    norm = norms.norm(LIGHT, 36_000.0)
    assert norm is not None
    assert -9.0 - norm < -1.9, "a step stands out"
    for i in range(1, 6 * 144):
        put(norms, 36_000.0 + i * 600.0, light=-9.0)
    later = norms.norm(LIGHT, 36_000.0 + 6 * DAY_S)
    assert later == pytest.approx(-9.0, abs=0.05), "after some days it is what is usual"


def test_no_light_is_no_level() -> None:
    norms = Norms()
    put(norms, 0.0, light=-7.0)
    put(norms, 600.0, light=-math.inf)
    assert norms.norm(LIGHT, SETTLED_S + 1) == -7.0


def test_traffic_is_compared_with_its_own_hour_of_the_week() -> None:
    norms = Norms()
    for hour in range(9 * 24):
        put(norms, hour * 3600.0, traffic=20.0 if hour % 24 == 20 else 1.0)
    assert norms.norm(TRAFFIC, (9 * 24 + 20) * 3600.0) == pytest.approx(20.0, rel=0.01)
    assert norms.norm(TRAFFIC, (9 * 24 + 4) * 3600.0) == pytest.approx(1.0, rel=0.01)


def test_changes_rises_and_peaks() -> None:
    norms = Norms()
    assert norms.changes(LINK, 0.0) is None
    assert norms.rose(COUNT, 0.0) is None
    for i in range(6):
        put(norms, i * 60.0, link=1 + i % 2, count=3.0 + (i >= 4), percent=50.0 + i)
    assert norms.changes(LINK, 0.0) == 5
    assert norms.changes(LINK, 200.0) == 2
    assert norms.rose(COUNT, 230.0) is True
    assert norms.rose(COUNT, 290.0) is False
    assert norms.peaks(PERCENT, 300.0, 3) == (55.0, 1)


def test_what_history_says_counts_as_settled() -> None:
    norms = Norms()
    norms.seed(LIGHT, -7.2, 1000.0)
    assert norms.norm(LIGHT, 1000.0) == -7.2
