import math
import struct
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.codec import pack, unpack

cells = st.lists(st.one_of(st.floats(allow_nan=False), st.sampled_from([State.SILENT, State.ABSENT, State.GARBLED])))


def a_round(cells_: list[float | State]) -> Round:
    layout = Layout("d", "t", tuple(Slot(f"r{i}", "rx_dbm") for i in range(len(cells_))))
    readings = Round.blank(layout, 1.0, State.SILENT)
    for i, cell in enumerate(cells_):
        if isinstance(cell, State):
            readings.states[i] = cell
        else:
            readings.values[i], readings.states[i] = cell, State.SEEN
    return readings


@given(st.integers(0, 2**32 - 1), cells)
def test_what_goes_in_comes_out_bit_for_bit(layout_id: int, cells_: list[float | State]) -> None:
    readings = a_round(cells_)
    known, values, states = unpack(pack(layout_id, readings))
    assert (known, states) == (layout_id, readings.states)
    for i, cell in enumerate(cells_):
        if isinstance(cell, State):
            assert math.isnan(values[i])
        else:
            assert struct.pack("<d", values[i]) == struct.pack("<d", cell)


@given(st.binary(max_size=60))  # random bytes are no zlib stream
def test_a_damaged_row_is_refused_not_read_as_numbers(blob: bytes) -> None:
    with pytest.raises(ValueError, match="damaged"):
        unpack(zlib.compress(b"\x01\x00\x00\x00" + struct.pack("<Q", 0x7FF8_0000_0000_0007)))
    with pytest.raises(ValueError, match="damaged"):
        unpack(blob)


def as_bytes(blob: bytes) -> tuple[int, bytes, bytes]:
    layout_id, values, states = unpack(blob)
    return layout_id, values.tobytes(), bytes(states)


def test_every_bit_flip_is_noticed() -> None:
    blob = pack(7, a_round([-7.25, State.ABSENT, 51.5]))
    for i in range(len(blob) * 8):
        flipped = bytearray(blob)
        flipped[i // 8] ^= 1 << (i % 8)
        try:
            same = as_bytes(bytes(flipped)) == as_bytes(blob)
        except ValueError:
            continue
        # zlib's header has bits that change nothing that is kept (the level hint).
        assert same or i < 16
