"""Blocks give back what was put in, to the last digit, whatever it was; damage never becomes a number."""

import math
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from monitor.facts.quantities import QUANTITIES
from monitor.facts.readings import State
from monitor.history.blocks import Damaged, Day, States, pack, unpack, unpack_many

states = hnp.arrays(np.uint8, st.integers(0, 200), elements=st.integers(0, 3))


def day(
    values: list[float], missing: list[int] | None = None, start_s: float = 1_790_000_000.0, step_s: float = 60.0
) -> Day:
    n = len(values)
    kept = np.array(missing or [0] * n, np.uint8)
    column = np.array(values, np.float64)
    column[kept != State.SEEN] = np.nan
    return Day(np.asarray(start_s + step_s * np.arange(n), np.float64), column, kept)


def same(a: Day, b: Day) -> bool:
    return (
        np.array_equal(a.times_s, b.times_s)
        and np.array_equal(a.values, b.values, equal_nan=True)
        and np.array_equal(a.states, b.states)
    )


@pytest.mark.parametrize(
    "quantity", ["rx_dbm", "bias_milliamperes", "input_volts", "port_watts", "in_octets", "uptime_seconds"]
)
@given(st.data())
def test_values_on_the_resolution_come_back_exactly(quantity: str, data: st.DataObject) -> None:
    resolution = QUANTITIES[quantity].resolution
    steps = data.draw(st.lists(st.integers(-(10**6), 10**6), max_size=100))
    values = [round(step * resolution, 6) if resolution < 1 else step * resolution for step in steps]
    made = day(values)
    assert same(unpack(pack(made, resolution)), made)


@given(st.lists(st.floats(allow_nan=False), max_size=60), st.sampled_from([0.01, 1.0, 0.002, 1e-4]))
def test_values_off_the_resolution_are_never_rounded(values: list[float], resolution: float) -> None:
    got = unpack(pack(day(values), resolution))
    for before, after in zip(values, got.values, strict=True):
        assert after == before or abs(after - before) <= 2e-6 * resolution * max(1, abs(before / resolution) * 1e-6)


@given(states, st.floats(0, 4e9), st.sampled_from([1.0, 10.0, 15.0, 60.0, 86_400.0]))
def test_what_was_missing_comes_back_as_it_was_missing(kinds: States, start_s: float, step_s: float) -> None:
    made = day([float(i) for i in range(len(kinds))], [int(k) for k in kinds], round(start_s), step_s)
    got = unpack(pack(made, 1.0))
    assert same(got, made)
    assert np.isnan(got.values[made.states != State.SEEN]).all()


def test_no_light_stays_no_light() -> None:
    made = day([-7.21, -math.inf, -7.2])
    assert same(unpack(pack(made, 0.01)), made)


def test_gaps_and_uneven_times_are_kept_to_the_millisecond() -> None:
    made = Day(np.array([0.0, 60.0, 60.25, 86_399.999]), np.array([1.0, 2.0, 3.0, 4.0]), np.zeros(4, np.uint8))
    assert same(unpack(pack(made, 1.0)), made)


def test_an_empty_day() -> None:
    assert len(unpack(pack(day([]), 0.01))) == 0


def test_a_usual_day_is_small() -> None:
    """1,440 readings of light with honest noise: below one byte each."""
    random = np.random.default_rng(1)
    values = np.round(-7.2 + 0.1 * np.sin(np.arange(1440) / 229) + random.normal(0, 0.01, 1440), 2)
    block = pack(day(values.tolist()), 0.01)
    assert len(block) / 1440 < 1.0


@given(st.binary(max_size=200))
def test_noise_is_damaged(raw: bytes) -> None:
    try:
        unpack(raw)
    except Damaged:
        return
    pytest.fail("noise was read as a day")


@given(st.integers(0, 10**6), st.integers(0, 7))
def test_a_flipped_bit_never_changes_a_reading(where: int, bit: int) -> None:
    """It is noticed, or it lies in one of the few bits after the last code (RFC 1951, 3.2.3) that mean nothing."""
    made = day([round(-7.2 + 0.01 * (i % 7), 2) for i in range(300)])
    block = bytearray(pack(made, 0.01))
    block[where % len(block)] ^= 1 << bit
    try:
        got = unpack(bytes(block))
    except Damaged:
        return
    assert same(got, made)


def test_a_block_that_would_fill_the_memory_is_damaged() -> None:
    with pytest.raises(Damaged):
        unpack(zlib.compress(bytes(100_000_000), 9))


def test_a_dark_hour_keeps_the_day_small() -> None:
    values = [-7.2 if not 300 <= i < 360 else -math.inf for i in range(1440)]
    block = pack(day(values), 0.01)
    assert len(block) < 100
    assert same(unpack(block), day(values))


@given(st.lists(st.tuples(st.lists(st.integers(-3000, 3000), max_size=30), states, st.booleans()), max_size=12))
def test_many_days_together_are_the_days_one_by_one(days: list[tuple[list[int], States, bool]]) -> None:
    """Whole days and such with missing readings, even times and others, in any mixture."""
    made = []
    for i, (steps, kinds, uneven) in enumerate(days):
        several = day([step / 100 for step in steps], None, 1e9 + 86_400 * i, 61.5 if uneven else 60.0)
        made += [several, day([1.0] * len(kinds), [int(k) for k in kinds], 1e9 + 86_400 * i + 7200)]
    blobs = [pack(one, 0.01) for one in made if len(one)]
    whole = unpack_many(blobs)
    single = [unpack(blob) for blob in blobs]
    assert whole.times_s.tolist() == [at for one in single for at in one.times_s.tolist()]
    assert np.array_equal(whole.values, np.concatenate([[], *(one.values for one in single)]), equal_nan=True)
    assert whole.states.tolist() == [state for one in single for state in one.states.tolist()]


def test_a_damaged_day_among_many_is_left_out() -> None:
    blobs = [pack(day([1.0, 2.0], None, 1e9 + 86_400 * i), 0.01) for i in range(3)]
    blobs[1] = blobs[1][:-1] + bytes([blobs[1][-1] ^ 1])
    assert unpack_many(blobs).times_s.tolist() == [1e9, 1e9 + 60, 1e9 + 172_800, 1e9 + 172_860]
