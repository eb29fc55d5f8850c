"""A device's round as bytes: layout id and float64 columns, compressed; the missing kinds live inside NaN.

A value that was not seen is a quiet NaN whose payload is its state (1 silent, 2 absent, 3 garbled), so a row
needs no second column and a state can never be taken for a number.
"""

import struct
import zlib
from array import array

import numpy as np
from numpy.typing import NDArray

from monitor.facts.readings import Round, State

_QUIET_NAN = np.uint64(0x7FF8_0000_0000_0000)
_HEAD = struct.Struct("<I")


def pack(layout_id: int, readings: Round) -> bytes:
    """The row of a round."""
    if not any(readings.states):
        return zlib.compress(_HEAD.pack(layout_id) + readings.values.tobytes(), 1)  # array("d") is float64
    values = np.array(readings.values, dtype="<f8")
    states = np.frombuffer(readings.states, dtype=np.uint8)
    missing = states != State.SEEN
    values.view(np.uint64)[missing] = _QUIET_NAN | states[missing].astype(np.uint64)
    return zlib.compress(_HEAD.pack(layout_id) + values.tobytes(), 1)


def unpack(blob: bytes) -> tuple[int, "array[float]", bytearray]:
    """Layout id, values and states of a row. Raises ValueError where the row is damaged."""
    try:
        raw = zlib.decompress(blob)
        (layout_id,) = _HEAD.unpack_from(raw)
        columns = np.frombuffer(raw, dtype="<f8", offset=_HEAD.size)
    except (zlib.error, struct.error, ValueError) as error:
        raise ValueError(f"damaged round row: {error}") from None
    states = states_of(columns)
    if (states > State.GARBLED).any() or (states[np.isnan(columns)] == State.SEEN).any():
        raise ValueError("damaged round row: a state that does not exist")
    values = array("d")
    values.frombytes(columns.tobytes())
    return layout_id, values, bytearray(states.tobytes())


def states_of(columns: NDArray[np.float64]) -> NDArray[np.uint8]:
    """The states that stand inside the NaN of contiguous columns of any shape."""
    missing = np.isnan(columns)
    states = np.zeros(columns.shape, np.uint8)
    states[missing] = columns.view(np.uint64)[missing] & np.uint64(0xFF)
    return states
