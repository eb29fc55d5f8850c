"""The optic's own page against published conversion tables and hand-made pages."""

import math
import struct
from typing import Any

import pytest

from monitor.devices.decode import sff8472
from monitor.devices.decode.raw import Garbled
from monitor.devices.decode.saying import from_page
from tests.golden.table import rows


def page(celsius: int = 25 * 256, volts: int = 33000, bias: int = 3000, tx: int = 5012, rx: int = 1000) -> bytearray:
    made = bytearray(256)
    made[96:106] = struct.pack(">hHHHH", celsius, volts, bias, tx, rx)
    return made


def external(page: bytearray, rx: tuple[float, ...], slopes: tuple[int, ...]) -> bytes:
    """Calibration constants with a right check sum: Rx(4) to Rx(0), then slope and offset of Tx_I, Tx_PWR, T, V."""
    page[56:76] = struct.pack(">5f", *rx)
    page[76:92] = struct.pack(">HhHhHhHh", *slopes)
    page[95] = sum(page[:95]) & 0xFF
    return bytes(page)


@pytest.mark.parametrize(("given", "expected", "tolerance"), rows("optics", "sff8472_temp"))
def test_temperature(given: Any, expected: Any, tolerance: float) -> None:
    count = int.from_bytes(bytes.fromhex(given["hex"]), "big", signed=True)
    got = sff8472.levels(bytes(page(celsius=count))).optic_c
    assert got == pytest.approx(expected["celsius"], abs=tolerance)


@pytest.mark.parametrize(("given", "expected", "tolerance"), rows("optics", "sff8472_slope"))
def test_slopes_have_eight_bits_after_the_point(given: Any, expected: Any, tolerance: float) -> None:
    slope = int(given["hex"], 16)
    made = external(page(bias=1000), (0, 0, 0, 1, 0), (slope, 0, 256, 0, 256, 0, 256, 0))
    got = sff8472.levels(made, sff8472.EXTERNAL).bias_milliamperes
    assert got == pytest.approx(expected["value"] * 2.0, abs=tolerance * 2 + 0.001)


def test_received_power_is_a_polynomial_of_powers() -> None:
    """Rx = sum of c(n) · count to the n (table 9-6): not count alone, which some public code has."""
    made = external(page(rx=200), (0, 0, 0.05, 2.0, 10.0), (256, 0, 256, 0, 256, 0, 256, 0))
    steps = 0.05 * 200**2 + 2.0 * 200 + 10.0
    got = sff8472.levels(made, sff8472.EXTERNAL).rx_dbm
    assert got == pytest.approx(10 * math.log10(steps * 1e-4), abs=1e-4)


def test_constants_of_one_change_nothing() -> None:
    made = external(page(), (0, 0, 0, 1, 0), (256, 0, 256, 0, 256, 0, 256, 0))
    assert sff8472.levels(made, sff8472.EXTERNAL) == sff8472.levels(bytes(page()))


def test_a_wrong_check_sum_is_garbled() -> None:
    made = bytearray(external(page(), (0, 0, 0, 1, 0), (256, 0, 256, 0, 256, 0, 256, 0)))
    made[95] ^= 1
    with pytest.raises(Garbled, match="check sum"):
        sff8472.levels(bytes(made), sff8472.EXTERNAL)


def test_no_light_is_minus_infinity_not_minus_forty() -> None:
    assert sff8472.levels(bytes(page(rx=0))).rx_dbm == -math.inf


@pytest.mark.parametrize(
    ("kind", "calibration"), [(0x68, sff8472.INTERNAL), (0x58, sff8472.EXTERNAL)], ids=["internal", "external"]
)
def test_how_a_module_is_calibrated_stands_on_page_a0(kind: int, calibration: int) -> None:
    first = bytearray(256)
    first[92] = kind
    assert sff8472.calibration_of(bytes(first)) == calibration
    first[92] = 0
    with pytest.raises(Garbled, match="no diagnostics"):
        sff8472.calibration_of(bytes(first))


def test_both_pages_in_one_value() -> None:
    first = bytearray(256)
    first[92] = 0x68
    assert from_page(bytes(first) + bytes(page()), "rx_dbm") == pytest.approx(-10.0)
    assert from_page(bytes(page()), "tx_dbm") == pytest.approx(-3.0, abs=0.001)


def test_thresholds_rise_and_zeros_mean_that_there_are_none() -> None:
    made = page()
    made[0:8] = struct.pack(">4h", 90 * 256, -45 * 256, 85 * 256, -40 * 256)
    made[32:40] = struct.pack(">4H", 10000, 10, 7943, 16)
    got = sff8472.thresholds(bytes(made))
    assert set(got) == {"optic_c", "rx_dbm"}
    assert got["optic_c"] == (-45.0, -40.0, 85.0, 90.0)
    assert got["rx_dbm"] == pytest.approx((-30.0, -27.959, -1.0, 0.0), abs=0.001)


@pytest.mark.parametrize("raw", [b"", b"x" * 50, 5, bytes(300)])
def test_anything_else_is_garbled_or_a_page_of_nothing(raw: bytes | int) -> None:
    try:
        got = from_page(raw, "rx_dbm")
    except Garbled:
        return
    assert got == -math.inf
