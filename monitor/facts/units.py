"""Every unit conversion of the project. Pure functions; nothing here decides anything."""

import math

METRES_PER_FOOT = 0.3048
"""Exact (international foot, 1959)."""

MM2_PER_CIRCULAR_MIL = math.pi / 4 * 0.0254**2
"""Area of a circle of one thousandth of an inch; follows from the inch of 25.4 mm."""


def mw_to_dbm(milliwatts: float) -> float:
    """Optical power in dBm of a power in mW; no light is minus infinity, never −40.

    dBm = 10·log10(P / 1 mW), for P ≥ 0.

    >>> round(mw_to_dbm(0.5633), 2)
    -2.49
    >>> mw_to_dbm(0.0)
    -inf
    """
    if milliwatts < 0:
        raise ValueError(f"optical power {milliwatts} mW is negative")
    return 10 * math.log10(milliwatts) if milliwatts > 0 else -math.inf


def dbm_to_mw(dbm: float) -> float:
    """Optical power in mW of a level in dBm.

    >>> dbm_to_mw(-10)
    0.1
    """
    return math.pow(10, dbm / 10)


def feet_to_m(feet: float) -> float:
    """Length in metres of a length in feet.

    >>> round(feet_to_m(100), 2)
    30.48
    """
    return feet * METRES_PER_FOOT


def m_to_feet(metres: float) -> float:
    """Length in feet of a length in metres.

    >>> round(m_to_feet(30.48), 6)
    100.0
    """
    return metres / METRES_PER_FOOT


def f_to_c(fahrenheit: float) -> float:
    """Temperature in °C of a temperature in °F.

    >>> f_to_c(212)
    100.0
    """
    return (fahrenheit - 32) * 5 / 9


def c_to_f(celsius: float) -> float:
    """Temperature in °F of a temperature in °C.

    >>> round(c_to_f(47.3), 2)
    117.14
    """
    return celsius * 9 / 5 + 32


def awg_to_mm2(gauge: int) -> float:
    """Conductor area in mm² of a solid American wire gauge number (0 to 40).

    d = 0.127 mm · 92^((36 − n)/39), area = π/4·d². Source: ASTM B258-14, clause 1.2 (from memory);
    agrees with the circular mils of NEC Chapter 9 Table 8 within 0.2 %.

    >>> round(awg_to_mm2(12), 2)
    3.31
    """
    if not 0 <= gauge <= 40:
        raise ValueError(f"AWG {gauge} is outside 0 to 40")
    diameter_mm: float = 0.127 * 92 ** ((36 - gauge) / 39)
    return math.pi / 4 * diameter_mm**2
