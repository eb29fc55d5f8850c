"""SFF-8472 (rev 12.4): an optic's own diagnostic page (A2h), for switches that hand it out as raw octets.

The optic measures in counts. Internally calibrated modules (byte 92 of page A0h, bit 5) give them in fixed steps;
externally calibrated ones (bit 4) give their own slopes and offsets, and a polynomial for received power.
"""

import math
import struct
from collections.abc import Callable
from dataclasses import dataclass

from monitor.devices.decode.raw import Garbled
from monitor.facts.units import mw_to_dbm

INTERNAL, EXTERNAL = 0x20, 0x10
_TYPE_AT = 92
_DIAGNOSTICS = 0x40
_LIVE_AT, _CALIBRATION_AT, _CHECK_AT = 96, 56, 95
_POWER_MW = 1e-4
"""Received and transmitted power come in steps of 0.1 µW: table 9-16."""


@dataclass(frozen=True, slots=True)
class Levels:
    """What an optic measures: °C, V, mA, dBm (minus infinity where there is no light at all)."""

    optic_c: float
    optic_volts: float
    bias_milliamperes: float
    tx_dbm: float
    rx_dbm: float


def _dbm(steps: float) -> float:
    return mw_to_dbm(steps * _POWER_MW) if steps > 0 else -math.inf


def calibration_of(page_a0: bytes) -> int:
    """INTERNAL or EXTERNAL, from page A0h; table 8-5. Raises Garbled where the module has no diagnostics."""
    if len(page_a0) <= _TYPE_AT:
        raise Garbled(f"page A0h has {len(page_a0)} octets, 96 are needed")
    kind = page_a0[_TYPE_AT]
    if not kind & _DIAGNOSTICS:
        raise Garbled("the module says that it has no diagnostics (page A0h byte 92 bit 6)")
    return EXTERNAL if kind & EXTERNAL else INTERNAL


def levels(page_a2: bytes, calibration: int = INTERNAL) -> Levels:
    """The five measurements of page A2h, bytes 96 to 105; sections 9.2 and 9.3.

    Raises Garbled for a page that is too short and, with external calibration, for constants whose check sum
    (byte 95: the low octet of the sum of bytes 0 to 94) is wrong.

    >>> page = bytearray(128); page[96:106] = struct.pack(">hHHHH", 25 * 256, 33000, 3000, 5012, 1000)
    >>> got = levels(bytes(page)); got.optic_c, got.optic_volts, got.bias_milliamperes, round(got.tx_dbm, 2), got.rx_dbm
    (25.0, 3.3, 6.0, -3.0, -10.0)
    """
    if len(page_a2) < _LIVE_AT + 10:
        raise Garbled(f"page A2h has {len(page_a2)} octets, {_LIVE_AT + 10} are needed")
    celsius, volts, bias, tx, rx = (float(count) for count in struct.unpack_from(">hHHHH", page_a2, _LIVE_AT))
    if calibration == EXTERNAL:
        if sum(page_a2[:_CHECK_AT]) & 0xFF != page_a2[_CHECK_AT]:
            raise Garbled("the check sum of the calibration constants is wrong (page A2h byte 95)")
        celsius, volts, bias, tx, rx = _calibrated(page_a2, celsius, volts, bias, tx, rx)
    return Levels(celsius / 256, volts / 10_000, bias / 500, _dbm(tx), _dbm(rx))


def _calibrated(
    page: bytes, celsius: float, volts: float, bias: float, tx: float, rx: float
) -> tuple[float, float, float, float, float]:
    """Counts brought to internal steps; table 9-6: Rx by a polynomial, the rest by slope and offset.

    Slopes are unsigned with eight bits after the point, offsets signed counts, the polynomial's
    coefficients IEEE 754 floats, Rx_PWR(4) first.
    """
    polynomial = struct.unpack_from(">5f", page, _CALIBRATION_AT)
    slopes = struct.unpack_from(">HhHhHhHh", page, _CALIBRATION_AT + 20)
    fixed = [slopes[i] / 256 for i in range(0, 8, 2)]
    offset = slopes[1::2]
    power = 0.0
    for coefficient in polynomial:
        power = power * rx + coefficient
    if not math.isfinite(power):
        raise Garbled("the calibration of received power is not finite")
    return (
        fixed[2] * celsius + offset[2],
        fixed[3] * volts + offset[3],
        fixed[0] * bias + offset[0],
        fixed[1] * tx + offset[1],
        power,
    )


def thresholds(page_a2: bytes) -> dict[str, tuple[float, float, float, float]]:
    """Low alarm, low warning, high warning, high alarm by quantity: bytes 0 to 39, each high before low; table 9-5.

    Quantities whose thresholds are all zero are left out: the module then gives none.
    """
    if len(page_a2) < 40:
        raise Garbled(f"page A2h has {len(page_a2)} octets, 40 are needed for the thresholds")
    found = {}
    for i, (quantity, convert) in enumerate(_THRESHOLDS):
        high_alarm, low_alarm, high_warning, low_warning = struct.unpack_from(
            ">4h" if i == 0 else ">4H", page_a2, 8 * i
        )
        if high_alarm or low_alarm or high_warning or low_warning:
            rising = (low_alarm, low_warning, high_warning, high_alarm)
            found[quantity] = (convert(rising[0]), convert(rising[1]), convert(rising[2]), convert(rising[3]))
    return found


_THRESHOLDS: tuple[tuple[str, Callable[[float], float]], ...] = (
    ("optic_c", lambda count: count / 256),
    ("optic_volts", lambda count: count / 10_000),
    ("bias_milliamperes", lambda count: count / 500),
    ("tx_dbm", _dbm),
    ("rx_dbm", _dbm),
)
