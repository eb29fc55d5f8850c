"""A day of one series as bytes: scaled integers, their differences, shuffled by bytes, compressed. Lossless.

A block holds every reading of one day: the values that were seen, when they were read, and how the others were
missing. Values are kept on the series' declared resolution; a day with a value that does not lie on it keeps its
floats as they are, so that nothing is ever rounded in silence. What all readings of a device share, their times,
is made once (``times_channel``) and costs some twenty bytes where they came at an even pace.
"""

import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.facts.readings import State

Floats = NDArray[np.float64]
States = NDArray[np.uint8]

_HEAD = struct.Struct("<BBIqdII")
"""Codec, width of the differences, readings, first step, resolution, length of the times, length of the states."""
_TIMES = struct.Struct("<qHqB")
"""First time [ticks], ticks a second, usual distance [ticks], width of what differs from it (0: nothing does)."""
_MOST_READINGS = 1_000_000
_INTEGERS, _FLOATS = 1, 2
_DARK = 4
"""Stands among the states for no light: seen, and minus infinity."""
_ON_STEP = 1e-6
"""How far from a step, in steps, a value may lie to count as on it: the error of decimal fractions in binary."""
_MOST_STEPS = 2.0**52
_LEVEL = 6


class Damaged(ValueError):
    """A block that cannot be what was written."""


@dataclass(frozen=True, slots=True)
class Day:
    """Readings of one series in the order of their times: times [s, UTC], values (NaN where not seen), states."""

    times_s: Floats
    values: Floats
    states: States

    def __len__(self) -> int:
        return len(self.times_s)


def pack(day: Day, resolution: float) -> bytes:
    """The block of a day; times are kept to the millisecond."""
    return pack_columns(times_channel(day.times_s), day.values, day.states, resolution)


def times_channel(times_s: Floats) -> bytes:
    """Times [s, UTC] in ascending order, as every block of a device's day has them."""
    if not len(times_s):
        return _TIMES.pack(0, 1, 0, 0)
    milliseconds = np.rint(times_s * 1000).astype(np.int64)
    per_s = 1000 if (milliseconds % 1000).any() else 1
    ticks = milliseconds // (1000 // per_s)
    steps = np.diff(ticks)
    usual = int(np.median(steps)) if len(steps) else 0
    width, body = _narrowest(steps - usual)
    return _TIMES.pack(int(ticks[0]), per_s, usual, width) + body


def pack_columns(times: bytes, values: Floats, states: States, resolution: float) -> bytes:
    """The block of a day whose times are packed already."""
    if len(values) != len(states):
        raise ValueError("values and states differ in number")
    kinds = states
    seen = states == State.SEEN
    if not seen.all():
        values = values[seen]
    dark = np.isneginf(values)
    if dark.any():
        kinds = states.copy()
        kinds[np.flatnonzero(seen)[dark]] = _DARK
        values = values[~dark]
    codec, width, first, body = _values(values, resolution)
    missing = kinds.tobytes() if kinds.any() else b""
    head = _HEAD.pack(codec, width, len(states), first, resolution, len(times), len(missing))
    return zlib.compress(b"".join((head, times, missing, body)), _LEVEL)


def _values(values: Floats, resolution: float) -> tuple[int, int, int, bytes]:
    """Codec, width, first step, body: integers where every value lies on a step, else the floats themselves."""
    if not len(values):
        return _INTEGERS, 0, 0, b""
    if resolution > 0:
        steps = values / resolution
        whole = np.rint(steps)
        largest = np.abs(whole).max()  # NaN and infinity fail the comparison
        # The rounding of a large number in binary is not a step's fault; each value is held to its own size.
        if largest < _MOST_STEPS and (np.abs(steps - whole) <= _ON_STEP * np.maximum(1.0, np.abs(whole) * 1e-6)).all():
            integers = whole.astype(np.int64)
            width, body = _narrowest(np.diff(integers))
            return _INTEGERS, width, int(integers[0]), body
    return _FLOATS, 8, 0, _shuffled(values.astype("<f8"))


def _narrowest(integers: "NDArray[np.int64]") -> tuple[int, bytes]:
    """The fewest bytes a number that hold them all, and the numbers; nothing at all where all are 0."""
    if not integers.any():
        return 0, b""
    low, high = int(integers.min()), int(integers.max())
    width = next(w for w in (1, 2, 4, 8) if -(1 << (8 * w - 1)) <= low and high < 1 << (8 * w - 1))
    return width, _shuffled(integers.astype(f"<i{width}"))


def _shuffled(values: "NDArray[np.generic]") -> bytes:
    """All first bytes, then all second ones: those of one place are alike, and compress."""
    return values.view(np.uint8).reshape(-1, values.itemsize).T.tobytes()


def _unshuffled(raw: bytes, kind: str, count: int) -> "NDArray[np.generic]":
    width = np.dtype(kind).itemsize
    if len(raw) != width * count:
        raise Damaged("a column of another length than its head says")
    return np.frombuffer(raw, np.uint8).reshape(width, -1).T.copy().view(kind).ravel()


def _summed(first: int, width: int, raw: bytes, count: int) -> "NDArray[np.int64]":
    """A first number and the differences of those that follow."""
    if width not in (0, 1, 2, 4, 8) or (width == 0 and raw):
        raise Damaged("differences of an unknown width")
    whole = np.zeros(count, np.int64)
    if count:
        whole[0] = first
        if width:
            whole[1:] = _unshuffled(raw, f"<i{width}", count - 1)
    return np.cumsum(whole)


def unpack(block: bytes) -> Day:
    """The day of a block; raises Damaged for anything that is not one."""
    raw = _inflated(block)
    try:
        codec, width, n, first, resolution, times_length, states_length = _HEAD.unpack_from(raw)
        states_at = _HEAD.size + times_length
        body_at = states_at + states_length
        if n > _MOST_READINGS or body_at > len(raw) or states_length not in (0, n):
            raise Damaged("a head that does not fit its body")
        times = _times(raw[_HEAD.size : states_at], n)
    except struct.error as error:
        raise Damaged(str(error)) from None
    if not states_length:
        return Day(times, _unscaled(codec, width, first, resolution, raw[body_at:], n), np.zeros(n, np.uint8))
    kinds = np.frombuffer(raw, np.uint8, states_length, states_at)
    if (kinds > _DARK).any():
        raise Damaged("a state that does not exist")
    values = np.full(n, np.nan)
    seen = kinds == State.SEEN
    values[seen] = _unscaled(codec, width, first, resolution, raw[body_at:], int(seen.sum()))
    dark = kinds == _DARK
    values[dark] = -np.inf
    return Day(times, values, np.where(dark, np.uint8(State.SEEN), kinds))


@dataclass(frozen=True, slots=True)
class _Even:
    """A day of even times without a missing reading, still packed; ``at`` is its place among many."""

    at: int
    start: int
    usual: int
    first: int
    body: bytes


def unpack_many(blobs: Iterable[bytes]) -> Day:
    """Many days one after the other; those that are damaged are left out: readings less, never wrong ones.

    Days without a missing reading and with even times, as nearly all are, are unpacked together where they are
    alike, which costs a third.
    """
    alike: dict[tuple[int, int, float], list[_Even]] = {}
    others: list[tuple[int, Day]] = []
    at = 0
    for blob in blobs:
        try:
            found = _even(blob, at)
            if found is None:
                day = unpack(blob)
                others.append((at, day))
                at += len(day)
            else:
                alike.setdefault(found[0], []).append(found[1])
                at += found[0][1]
        except (Damaged, struct.error):
            continue
    times, values, states = np.empty(at), np.empty(at), np.zeros(at, np.uint8)
    for (width, n, resolution), days in alike.items():
        packed = np.frombuffer(b"".join(day.body for day in days), np.uint8).reshape(len(days), width, n - 1)
        steps = np.empty((len(days), n), np.int64)
        steps[:, 0] = [day.first for day in days]
        steps[:, 1:] = packed.transpose(0, 2, 1).copy().view(f"<i{width}")[..., 0]
        places, starts, usuals = (np.array([getattr(d, k) for d in days])[:, None] for k in ("at", "start", "usual"))
        where = places + np.arange(n)
        times[where] = starts + usuals * np.arange(n)
        values[where] = _scaled(np.cumsum(steps, axis=1).astype(np.float64), resolution)
    for place, day in others:
        times[place : place + len(day)] = day.times_s
        values[place : place + len(day)] = day.values
        states[place : place + len(day)] = day.states
    return Day(times, values, states)


def _even(blob: bytes, at: int) -> tuple[tuple[int, int, float], _Even] | None:
    """What such a day is like (width, readings, resolution), and the day; None for any other. Raises Damaged."""
    raw = _inflated(blob)
    codec, width, n, first, resolution, times_length, states_length = _HEAD.unpack_from(raw)
    start, per_s, usual, uneven = _TIMES.unpack_from(raw, _HEAD.size)
    even = not states_length and not uneven and times_length == _TIMES.size and per_s == 1
    if not even or codec != _INTEGERS or width not in (1, 2) or not resolution > 0 or not 0 < n <= _MOST_READINGS:
        return None
    body = raw[_HEAD.size + times_length :]
    if len(body) != width * (n - 1):
        raise Damaged("a column of another length than its head says")
    return (width, n, resolution), _Even(at, start, usual, first, body)


def _inflated(block: bytes) -> bytes:
    """At most what a block of the most readings can hold: a damaged one must not fill the memory."""
    inflating = zlib.decompressobj()
    try:
        raw = inflating.decompress(block, 20 * _MOST_READINGS)
    except zlib.error as error:
        raise Damaged(str(error)) from None
    if not inflating.eof or inflating.unused_data:
        raise Damaged("it ends too soon, or too late")
    return raw


def _times(raw: bytes, n: int) -> Floats:
    first, per_s, usual, width = _TIMES.unpack_from(raw)
    if per_s not in (1, 1000):
        raise Damaged("times in an unknown unit")
    ticks = first + usual * np.arange(n)
    if width or len(raw) > _TIMES.size:
        ticks += _summed(0, width, raw[_TIMES.size :], n)
    whole: Floats = ticks / per_s
    return whole


def _unscaled(codec: int, width: int, first: int, resolution: float, raw: bytes, count: int) -> Floats:
    if codec == _FLOATS:
        return _unshuffled(raw, "<f8", count).astype(np.float64)
    if codec != _INTEGERS or not resolution > 0:
        raise Damaged(f"codec {codec}, resolution {resolution}")
    return _scaled(_summed(first, width, raw, count).astype(np.float64), resolution)


def _scaled(steps: Floats, resolution: float) -> Floats:
    # 2734 / 100 is the double nearest to 27.34; 2734 · 0.01 is not.
    return np.asarray(steps * resolution if resolution >= 1 else steps / round(1 / resolution, 6), np.float64)
