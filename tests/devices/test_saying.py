"""Values as devices say them: text, watts of light, negatives sent as unsigned, words for nothing."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.devices.decode.raw import Absent, Garbled, Raw, Unread
from monitor.devices.decode.saying import folded, read_text, saying


@pytest.mark.parametrize(
    ("quantity", "encoding", "unit", "scale", "raw", "value"),
    [
        # 1 mW is 0 dBm by definition (IEC 60050-713-08-40, from memory); the rest follows from the logarithm.
        ("rx_dbm", "number", "milliwatts", 1, 1, 0.0),
        ("rx_dbm", "number", "microwatts", 0.1, 1000, -10.0),
        ("rx_dbm", "number", "nanowatts", 1, 501187, -3.0),
        ("rx_dbm", "number", "microwatts", 1, 0, -math.inf),
        ("rx_dbm", "number", "dbm", 0.01, -742, -7.42),
        ("rx_dbm", "number", "dbm", 0.1, -74, -7.4),
        ("rx_dbm", "number", "dbm", 1, 2**32 - 8, -8.0),
        ("rx_dbm", "text", "same", 1, b"-3.45 dBm", -3.45),
        ("rx_dbm", "text", "same", 1, b"0.4519 mW / -3.45 dBm", -3.45),
        ("rx_dbm", "text", "same", 1, b"No Power", -math.inf),
        ("rx_dbm", "text", "same", 1, b"-Inf", -math.inf),
        ("rx_dbm", "text", "dbm", 0.01, b"-742", -7.42),
        ("tx_dbm", "text", "same", 1, "−5,10 dBm".encode(), -5.1),
        ("port_watts", "number", "milliwatts", 1, 15400, 15.4),
        ("port_watts", "number", "watts", 0.1, 154, 15.4),
        ("port_watts", "text", "same", 1, b"12.9 W", 12.9),
        ("bias_milliamperes", "number", "microamperes", 2, 3000, 6.0),
        ("optic_c", "number", "same", 1 / 256, 0x1900, 25.0),
        ("optic_c", "text", "same", 1, b"45.2 C / 113.4 F", 45.2),
        ("board_c", "number", "same", 1, 2**32 - 5, -5.0),
        ("input_volts", "number", "same", 0.01, 4812, 48.12),
        ("input_volts", "text", "same", 1, b"48.1V", 48.1),
    ],
)
def test_one_value(quantity: str, encoding: str, unit: str, scale: float, raw: Raw, value: float) -> None:
    assert saying(quantity, encoding, unit, scale)(raw) == pytest.approx(value, abs=0.002)


@pytest.mark.parametrize("raw", [b"N/A", b"n/a (no module)", b"", b"--", b"Not present", b"none", b"Unknown"])
def test_words_for_nothing_are_absent(raw: bytes) -> None:
    with pytest.raises(Absent):
        saying("optic_c", "text", "same", 1)(raw)


@pytest.mark.parametrize("raw", [b"\xff\xfe", b"pending", 7.5, (1, 3), Unread(0x42, b"", "a number of 0 octets")])
def test_what_is_no_value_is_garbled(raw: Raw) -> None:
    with pytest.raises(Garbled):
        saying("optic_c", "text", "same", 1)(raw)


def test_numbers_and_words_of_the_datasheet_stand_for_nothing() -> None:
    convert = saying("rx_dbm", "number", "dbm", 0.01, (-12800, "dark"))
    for raw in (-12800, 2**32 - 12800):
        with pytest.raises(Absent):
            convert(raw)
    with pytest.raises(Absent):
        saying("rx_dbm", "text", "dbm", 1, ("dim",))(b"DIM")


def test_an_unsigned_negative_is_folded_only_where_negative_makes_sense() -> None:
    assert folded(2**32 - 2) == -2  # 4294967294
    assert saying("port_watts", "number", "milliwatts", 1)(2**31) == 2**31 / 1000


def test_a_negative_power_of_light_is_garbled() -> None:
    with pytest.raises(Garbled):
        saying("rx_dbm", "number", "microwatts", 1)(-5)


@given(st.text(max_size=80), st.sampled_from(["rx_dbm", "optic_c", "port_watts", "bias_milliamperes", "input_volts"]))
def test_any_text_is_a_number_absent_or_garbled(said: str, quantity: str) -> None:
    try:
        value = read_text(said, quantity, "same", 1)
    except (Absent, Garbled):
        return
    assert not math.isnan(value)


@given(st.floats(-40, 8.2))
def test_light_comes_back_from_every_unit(dbm: float) -> None:
    milliwatts = 10 ** (dbm / 10)
    for unit, each in (("milliwatts", 1.0), ("microwatts", 1e-3), ("nanowatts", 1e-6)):
        count = round(milliwatts / each * 1e7)  # at least 1,000 counts: the rounding is below 0.01 dB
        assert saying("rx_dbm", "number", unit, 1e-7)(count) == pytest.approx(dbm, abs=0.01)
