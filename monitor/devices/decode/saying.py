"""A value as a device says it: text with a number in it, light in watts, negative numbers sent as unsigned.

Each conversion gives the value in a quantity's own unit, or raises Absent or Garbled.
"""

import math
import re
from collections.abc import Callable, Collection

from monitor.devices.decode import sff8472
from monitor.devices.decode.raw import Absent, Garbled, Raw, Unread, number, shown, text
from monitor.facts.units import mw_to_dbm

_NUMBER = re.compile(r"(?<![\w.])([-+−]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?)\s*([a-zA-Zµμ°%]*)")
_NO_LIGHT = re.compile(r"(?i)^[-−]?\s*inf|no (power|light|signal)|\blos\b|dark")
_NO_VALUE = re.compile(
    r"(?i)^(|-+|n/?a\b.*|none|absent|unknown|un(plugged|supported)"
    r"|not (present|available|supported|installed|applicable).*)$"
)
_MILLIWATTS = {"nanowatts": 1e-6, "microwatts": 1e-3, "milliwatts": 1.0, "watts": 1e3}
_IN_TEXT = {"dbm": "dbm", "nw": "nanowatts", "uw": "microwatts", "µw": "microwatts", "mw": "milliwatts", "w": "watts"}
_IN_TEXT |= {"ua": "microamperes", "µa": "microamperes", "ma": "milliamperes", "a": "amperes", "mv": "millivolts"}
_IN_TEXT |= {"v": "volts", "c": "c", "°c": "c", "degc": "c"}
_WATTS = {"microwatts": 1e-6, "milliwatts": 1e-3, "watts": 1.0}
_AMPERES = {"microamperes": 1e-6, "milliamperes": 1e-3, "amperes": 1.0}
_VOLTS = {"millivolts": 1e-3, "volts": 1.0}


def folded(value: float) -> float:
    """A negative number that was sent as an unsigned 32-bit one is folded back.

    >>> folded(4294967294), folded(5)
    (-2.0, 5)
    """
    return float(value - 2**32) if 2**31 <= value < 2**32 else value


def to_quantity(value: float, unit: str, quantity: str) -> float:
    """A value in a device's unit in the quantity's own unit. No power at all is no light: minus infinity.

    >>> to_quantity(501.2, "microwatts", "rx_dbm"), to_quantity(0, "milliwatts", "rx_dbm")
    (-3.0, -inf)
    >>> to_quantity(15400, "milliwatts", "port_watts"), to_quantity(5, "amperes", "bias_milliamperes")
    (15.4, 5000.0)
    """
    if quantity.endswith("_dbm"):
        if unit in ("same", "dbm"):
            return value
        if unit not in _MILLIWATTS or value < 0:
            raise Garbled(f"{value:g} {unit} is no power of light")
        return round(mw_to_dbm(value * _MILLIWATTS[unit]), 3) if value > 0 else -math.inf
    for table, own in ((_WATTS, "watts"), (_AMPERES, "amperes"), (_VOLTS, "volts")):
        if unit in table and quantity.endswith(own):
            in_base = value * table[unit]
            return in_base * 1000 if quantity.endswith("milliamperes") else in_base
    if unit in ("same", "c"):
        return value
    raise Garbled(f"{unit} does not measure {quantity}")


def read_text(said: str, quantity: str, unit: str, scale: float) -> float:
    """The number in a text; the unit that stands with it wins over the datasheet's.

    >>> read_text("-3.45 dBm", "rx_dbm", "same", 1), read_text("No Power", "rx_dbm", "same", 1)
    (-3.45, -inf)
    >>> read_text("45.2 C / 113.4 F", "optic_c", "same", 1), read_text("0,35 mW", "rx_dbm", "same", 1)
    (45.2, -4.559)
    """
    words = said.strip()
    if quantity.endswith("_dbm") and _NO_LIGHT.search(words):
        return -math.inf
    if _NO_VALUE.match(words):
        raise Absent(f"the device says {words!r}")
    found = _NUMBER.search(words)
    if found is None:
        raise Garbled(f"no number in {words[:40]!r}")
    value = float(found[1].replace("−", "-").replace(",", "."))
    own = _IN_TEXT.get(found[2].lower().replace("μ", "µ"))
    return to_quantity(value, own, quantity) if own else to_quantity(value * scale, unit, quantity)


def saying(
    quantity: str, encoding: str, unit: str, scale: float, absent: Collection[int | str] = ()
) -> Callable[[Raw], float]:
    """The conversion that a column of a datasheet describes."""
    numbers = frozenset(one for one in absent if isinstance(one, int))
    words = frozenset(one.lower() for one in absent if isinstance(one, str))
    signed = quantity.endswith("_c") or (quantity.endswith("_dbm") and unit in ("same", "dbm"))

    def convert(raw: Raw) -> float:
        if encoding == "sff-8472":
            return from_page(raw, quantity)
        if isinstance(raw, bytes) and (encoding == "text" or _looks_like_text(raw)):
            said = text(raw)
            if said.lower() in words:
                raise Absent(f"the device says {said!r}")
            return read_text(said, quantity, unit, scale)
        if encoding == "text" and not isinstance(raw, int):
            raise Garbled(raw.why if isinstance(raw, Unread) else f"text was expected, {shown(raw)} came")
        value = number(raw)
        if value in numbers or folded(value) in numbers:
            raise Absent(f"the device says {value:g}, which stands for no value")
        value = folded(value) if signed else value
        # Tenths are divided: 55 · 0.1 would be 5.500000000000001.
        scaled = value / round(1 / scale) if scale < 1 and abs(1 / scale - round(1 / scale)) < 1e-9 else value * scale
        return to_quantity(scaled, unit, quantity)

    return convert


def _looks_like_text(raw: bytes) -> bool:
    return any(48 <= octet <= 57 for octet in raw) and all(octet >= 32 for octet in raw.rstrip(b"\0"))


def from_page(raw: Raw, quantity: str) -> float:
    """A quantity of an optic from its page A2h (SFF-8472), or from pages A0h and A2h, 256 octets each."""
    if not isinstance(raw, bytes):
        raise Garbled(f"a page of octets was expected, {shown(raw)} came")
    calibration = sff8472.INTERNAL
    page = raw
    if len(raw) >= 384:  # both pages: the first says how the second is calibrated
        calibration, page = sff8472.calibration_of(raw[:256]), raw[256:]
    got = sff8472.levels(page, calibration)
    if not hasattr(got, quantity):
        raise Garbled(f"page A2h does not have {quantity}")
    return float(getattr(got, quantity))
