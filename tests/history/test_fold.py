"""A folded day reads as it did before; folding twice, late rows and both nights of a changed clock lose nothing."""

import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import text

from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.columns import NOT_ASKED, Columns
from monitor.history.fold import DAY_S, day_of
from monitor.history.store import NotKept, Store

RX, VOLTS, OCTETS = (
    Slot("creek/optic/5", "rx_dbm"),
    Slot("creek/switch", "input_volts"),
    Slot("creek/port/5", "in_octets"),
)
LAYOUT = Layout("creek/switch", "measure", (RX, VOLTS, OCTETS))
SYDNEY_S = 36_000
"""Standard time of Sydney, ten hours east."""
DAY = 20_600
START_S = float(DAY * DAY_S - SYDNEY_S)


def a_round(at_s: float, *values: float | State, layout: Layout = LAYOUT) -> Round:
    one = Round.blank(layout, at_s, State.SILENT)
    for i, value in enumerate(values):
        if isinstance(value, State):
            one.states[i] = value
        else:
            one.put(i, value)
    return one


def a_day(start_s: float = START_S, step_s: float = 60, layout: Layout = LAYOUT) -> list[Round]:
    """Seen, silent, absent, garbled and dark in turn."""
    rounds = []
    for i in range(int(DAY_S / step_s)):
        rx: float | State = round(-7.2 + 0.01 * (i % 13), 2)
        rx = {100: State.SILENT, 101: State.ABSENT, 102: State.GARBLED, 103: -math.inf}.get(i % 300, rx)
        rounds.append(
            a_round(start_s + i * step_s, rx, round(50 + 0.001 * (i % 777), 3), 1e12 + 40_000 * i, layout=layout)
        )
    return rounds


def folded(store: Store, today: int = DAY + 1, offset_s: int = SYDNEY_S) -> list[int]:
    store.standard_offset(offset_s)
    return [store.fold(slot, day, offset_s) for slot, day in store.to_fold(today, offset_s)]


def same(before: Columns, after: Columns) -> None:
    for name in ("times_s", "lows", "highs", "seen", "missed", "states"):
        assert np.array_equal(getattr(before, name), getattr(after, name), equal_nan=name in ("lows", "highs")), name
    assert np.allclose(before.means, after.means, rtol=1e-12, atol=0, equal_nan=True)
    assert before.resolution_s == after.resolution_s


def columns(store: Store, points: int, slots: Sequence[Slot] = LAYOUT.slots, days: float = 1.0) -> dict[Slot, Columns]:
    return store.many(slots, START_S, START_S + days * DAY_S - 1, points)


@pytest.mark.parametrize("points", [1, 24, 1440])
def test_a_folded_day_reads_as_it_did(any_store: Store, points: int) -> None:
    any_store.keep(a_day())
    before = columns(any_store, points)
    assert folded(any_store) == [1440]
    assert any_store.newest(0) == []
    after = columns(any_store, points)
    for slot in LAYOUT.slots:
        same(before[slot], after[slot])


def test_folding_again_changes_nothing(any_store: Store) -> None:
    any_store.keep(a_day())
    folded(any_store)
    before = columns(any_store, 1440)
    assert folded(any_store) == []
    any_store.keep(a_day())
    assert folded(any_store) == [1440]
    for slot in LAYOUT.slots:
        same(before[slot], columns(any_store, 1440)[slot])


def test_today_is_left_alone(any_store: Store) -> None:
    any_store.keep([a_round(START_S + DAY_S, -7.0, 50.0, 1.0), a_round(START_S + DAY_S - 1, -7.0, 50.0, 1.0)])
    assert folded(any_store) == [1]


def test_late_rows_are_merged_and_each_reading_is_seen_once(any_store: Store) -> None:
    rounds = a_day()
    any_store.keep(rounds[:700] + rounds[900:])
    folded(any_store)
    any_store.keep(rounds[700:900])
    whole = any_store.readings(VOLTS, START_S, START_S + DAY_S)
    assert len(whole) == 1440
    assert (np.diff(whole.times_s) == 60).all()
    folded(any_store)
    again = any_store.readings(VOLTS, START_S, START_S + DAY_S)
    assert np.array_equal(whole.values, again.values)


def test_tiers_of_10_30_60_seconds_and_a_day_in_one_device(any_store: Store) -> None:
    tiers = {10: RX, 30: VOLTS, 60: OCTETS, DAY_S: Slot("creek/switch", "uptime_seconds")}
    for step_s, slot in tiers.items():
        layout = Layout("creek/switch", f"tier {step_s}", (slot,))
        times = [START_S + i * step_s for i in range(DAY_S // step_s)]
        any_store.keep([a_round(at_s, -7.0 if slot is RX else 20.0, layout=layout) for at_s in times])
    assert folded(any_store) == [8640, 2880, 1440, 1]
    for step_s, slot in tiers.items():
        found = any_store.series(slot, START_S, START_S + DAY_S - 1, 24)
        assert int(found.seen.sum()) == DAY_S // step_s
        assert found.resolution_s == (step_s if step_s < DAY_S else 0)


@pytest.mark.parametrize("night", ["2026-04-05", "2026-10-04"])
def test_a_night_of_a_changed_clock_has_24_hours(any_store: Store, night: str) -> None:
    """Sydney's clocks change in the first night of April and of October (tz database, rule AN)."""
    zone = ZoneInfo("Australia/Sydney")
    local = datetime.fromisoformat(f"{night}T12:00").replace(tzinfo=zone)
    before, after = local.replace(hour=0), local.replace(hour=23)
    assert before.utcoffset() != after.utcoffset()
    day = day_of(local.timestamp(), SYDNEY_S)
    start_s = float(day * DAY_S - SYDNEY_S)
    any_store.keep(a_day(start_s))
    assert folded(any_store, day + 1) == [1440]
    found = any_store.series(VOLTS, start_s, start_s + DAY_S - 1, 24)
    assert found.seen.tolist() == [60] * 24


def test_years_are_read_from_rollups_and_agree_with_the_readings(any_store: Store) -> None:
    for day in range(6):
        any_store.keep(a_day(START_S + day * DAY_S, 3600))
    before = columns(any_store, 3, days=6)
    folded(any_store, DAY + 5)  # the last day stays in rows
    after = columns(any_store, 3, days=6)
    for slot in LAYOUT.slots:
        for name in ("lows", "highs", "seen", "missed", "states"):
            assert np.array_equal(getattr(before[slot], name), getattr(after[slot], name)), name
        assert np.allclose(before[slot].means, after[slot].means, rtol=1e-12)


def test_nothing_asked_is_not_silence(any_store: Store) -> None:
    any_store.keep([a_round(START_S, State.SILENT, 50.0, State.ABSENT)])
    found = columns(any_store, 24)
    assert found[RX].states.tolist() == [State.SILENT] + [NOT_ASKED] * 23
    assert found[OCTETS].states[0] == State.ABSENT
    assert np.isnan(found[RX].means).all()
    assert any_store.series(Slot("nowhere", "rx_dbm"), 0, 100, 5).states.tolist() == [NOT_ASKED] * 5


def test_a_fold_that_is_cut_off_leaves_the_day_as_it_was(any_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    any_store.keep(a_day())
    before = columns(any_store, 1440)
    monkeypatch.setattr("monitor.history.fold.put_rollups", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        folded(any_store)
    monkeypatch.undo()
    same(before[VOLTS], columns(any_store, 1440)[VOLTS])
    assert folded(any_store) == [1440]


def test_a_damaged_block_is_a_day_less_and_never_a_wrong_reading(any_store: Store) -> None:
    any_store.keep(a_day())
    folded(any_store)
    any_store._act(lambda c: c.execute(text("UPDATE day_block SET blob = :b"), {"b": b"noise"}))
    assert len(any_store.readings(VOLTS, START_S, START_S + DAY_S)) == 0
    any_store.keep(a_day()[:10])
    folded(any_store)
    assert len(any_store.readings(VOLTS, START_S, START_S + DAY_S)) == 10


def test_the_first_offset_stays(any_store: Store) -> None:
    assert any_store.standard_offset(SYDNEY_S) == SYDNEY_S
    assert any_store.standard_offset(0) == SYDNEY_S


def test_rounds_of_a_time_that_nobody_trusts_get_their_time_later(any_store: Store) -> None:
    """A box whose clock wakes up in 1970: wall − monotonic is 5 s; when it is set, the true difference is known."""
    any_store.keep_untimed([a_round(65.0, -7.0, 50.0, 1.0), a_round(125.0, -7.1, 50.0, 1.0)], "boot", 5.0)
    any_store.keep_untimed([a_round(65.0, -9.0, 50.0, 1.0)], "an earlier boot", 5.0)
    assert any_store.readings(RX, 0, 1e10).times_s.tolist() == []
    assert any_store.give_time("boot", START_S) == 2
    assert any_store.give_time("boot", START_S) == 0
    day = any_store.readings(RX, 0, 1e10)
    assert (day.times_s - START_S).tolist() == [60, 120]
    assert day.values.tolist() == [-7.0, -7.1]
    assert any_store.untimed() == 1


def test_a_quota_is_refused_beyond_and_the_oldest_counters_go_first(tmp_path: Path) -> None:
    store = Store(tmp_path / "history.sqlite", quota_octets=400_000)
    random = np.random.default_rng(1)

    def filled() -> int:
        for day in range(400):
            busy = 1e12 + np.cumsum(random.integers(0, 2**31, 144))
            times = START_S + day * DAY_S + 600 * np.arange(144)
            store.keep([a_round(float(at_s), -7.0, 50.0, float(n)) for at_s, n in zip(times, busy, strict=True)])
            try:
                folded(store, DAY + day + 1)
            except NotKept as error:
                reasons.append(error.reason)
                return day
        raise AssertionError("the quota was never reached")

    reasons: list[str] = []
    today = DAY + filled()
    assert reasons == ["full"]
    assert today > DAY + 62
    assert store.full()
    days = []
    while (step := store.thin(today))[1]:
        days.append(step[0])
    assert days == list(range(DAY, DAY + len(days)))
    assert not store.full()
    assert len(store.readings(OCTETS, START_S, START_S + DAY_S - 1)) == 0
    assert len(store.readings(VOLTS, START_S, START_S + DAY_S - 1)) == 144
    assert store.series(OCTETS, START_S, START_S + 30 * DAY_S, 30).seen.tolist() == [144] * 30  # the rollups stay
    assert folded(store, today + 1) == [144]  # and there is room again
    store.close()


def test_what_says_whether_a_switch_answered_is_given_up_last(tmp_path: Path) -> None:
    """The review's availability is made of it minute by minute, however old the month."""
    store = Store(tmp_path / "history.sqlite", quota_octets=400_000)
    uptime, volts = Slot("creek/switch", "uptime_seconds"), Slot("creek/switch", "input_volts")
    layout = Layout("creek/switch", "reach", (uptime, volts))
    random, today = np.random.default_rng(1), DAY
    while not store.full():
        at_s = START_S + (today - DAY) * DAY_S
        seen = (50 + round(float(v), 2) for v in random.normal(0, 1, 144))
        store.keep([a_round(at_s + 600 * i, 600.0 * i, v, layout=layout) for i, v in enumerate(seen)])
        folded(store, today + 1)
        today += 1
    while store.thin(today)[1]:
        pass
    first_s = (START_S, START_S + DAY_S - 1)
    assert len(store.readings(volts, *first_s)) == 0
    assert len(store.readings(uptime, *first_s)) == 144
    store.close()
