"""Unit proof: which unit a private column counts in, from what its values can and cannot be.

Every conversion in use is tried on all values. Those that disagree with the physical range, the module's own
thresholds, the other end of the fibre, the PoE class or the switch's total are struck out, each with its reason.
One left: it is used, and said. Two left: a person is asked one plain question. None: the column is something else.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.devices.decode.raw import Absent, Garbled, Raw
from monitor.devices.decode.saying import saying
from monitor.facts.quantities import QUANTITIES, UNITS

LIGHT_DBM = (-40.0, 10.0)
"""Between the noise of a receiver and the strongest laser in an SFP (common practice, no source)."""
ACCURACY_DB = 3.0
"""SFF-8472 rev 12.4 section 8.2: levels are good to ±3 dB, so two of them to ±6 dB."""
_SUM_SHARE, _SUM_WATTS = 0.15, 2.0
_CLASS_SHARE = 1.1


@dataclass(frozen=True, slots=True)
class Conversion:
    """A unit and scale that devices use."""

    unit: str
    scale: float

    @property
    def words(self) -> str:
        """For people: ``0.01 dbm``."""
        return f"{self.scale:g} {self.unit}" if self.scale != 1 else self.unit


_LIGHT = tuple(Conversion("dbm", s) for s in (1, 0.1, 0.01, 0.001)) + tuple(
    Conversion(unit, s) for unit in ("milliwatts", "microwatts", "nanowatts") for s in (1, 0.1, 0.01)
)
_CANDIDATES: dict[str, tuple[Conversion, ...]] = {
    "dbm": _LIGHT,
    "watts": (*(Conversion("watts", s) for s in (1, 0.1, 0.01)), Conversion("milliwatts", 1)),
    "volts": tuple(Conversion("same", s) for s in (1, 0.1, 0.01, 0.001)),
    "c": tuple(Conversion("same", s) for s in (1, 0.1, 0.01, 0.001, 1 / 256)),
    "milliamperes": (*(Conversion("milliamperes", s) for s in (1, 0.1, 0.01)), Conversion("microamperes", 1)),
    "amperes": (*(Conversion("same", s) for s in (1, 0.1, 0.01)), Conversion("milliamperes", 1)),
}
_PLAUSIBLE: dict[str, tuple[float, float]] = {
    "rx_dbm": LIGHT_DBM,
    "tx_dbm": (-15.0, LIGHT_DBM[1]),
    "bias_milliamperes": (0.5, 131.0),
    "optic_c": (-40.0, 100.0),
    "optic_volts": (2.8, 3.8),
    "input_volts": (9.0, 72.0),
    "board_c": (-40.0, 110.0),
}
"""Narrower than what can exist: what a working device says (common practice; 131 mA is SFF-8472's full scale)."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known from elsewhere, by row of the column; everything may be missing."""

    expected: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    """What the plan expects to be read in a row, in the quantity's unit: the far end's light less the loss."""
    thresholds: Mapping[int, tuple[Raw, ...]] = field(default_factory=dict)
    """The module's own alarm and warning levels in the same encoding, lowest first."""
    most: Mapping[int, float] = field(default_factory=dict)
    """The most that a row can be: the watts of a port's class."""
    total: float | None = None
    """What the rows must add up to."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What is left, and why the others are not."""

    quantity: str
    kept: tuple[Conversion, ...]
    struck: Mapping[str, str]
    examples: tuple[tuple[str, str], ...] = ()

    @property
    def conversion(self) -> Conversion | None:
        """The only one left, or None: then nothing is taken for granted."""
        return self.kept[0] if len(self.kept) == 1 else None

    @property
    def question(self) -> str:
        """One plain question, empty where the unit is proven."""
        if self.conversion is not None:
            return ""
        if not self.kept:
            return f"no unit makes sense of these values as {self.quantity}: is it another column?"
        ways = " or ".join(f"{shown} ({unit})" for unit, shown in self.examples)
        return f"is it {ways}? Compare with the device's own page and write the unit into the datasheet"


def prove(quantity: str, values: Mapping[int, Raw], evidence: Evidence | None = None) -> Proof:
    """Which conversions of a column agree with everything that is known of it."""
    known = evidence or Evidence()
    kept: dict[tuple[float, ...], Conversion] = {}
    struck: dict[str, str] = {}
    for conversion in _CANDIDATES.get(QUANTITIES[quantity].unit, (Conversion("same", 1),)):
        seen = _converted(quantity, values, conversion)
        why = _objection(quantity, seen, values, conversion, known)
        if why:
            struck[conversion.words] = why
        else:
            kept.setdefault(tuple(round(value, 3) for value in seen.values()), conversion)
    left = tuple(kept.values())
    return Proof(quantity, left, struck, tuple((c.words, _example(quantity, values, c)) for c in left))


def _converted(quantity: str, values: Mapping[int, Raw], conversion: Conversion) -> dict[int, float]:
    convert = saying(quantity, "number", conversion.unit, conversion.scale)
    seen: dict[int, float] = {}
    for row, raw in values.items():
        try:
            seen[row] = convert(raw)
        except Absent:
            continue
        except Garbled:
            seen[row] = math.nan
    return seen


def _objection(
    quantity: str, seen: dict[int, float], values: Mapping[int, Raw], conversion: Conversion, known: Evidence
) -> str:
    lit = {row: value for row, value in seen.items() if value != -math.inf}
    if not lit:
        return "no row has a value to judge by"
    low, high = _PLAUSIBLE.get(quantity, (QUANTITIES[quantity].low, QUANTITIES[quantity].high))
    unit = UNITS[QUANTITIES[quantity].unit]
    for row, value in lit.items():
        if not low <= value <= high:
            return f"row {row} would be {value:g} {unit}, outside {low:g} to {high:g}"
    for check in (_thresholds, _expected, _most):
        why = check(quantity, lit, conversion, known)
        if why:
            return why
    if known.total is not None:
        total = sum(lit.values())
        if abs(total - known.total) > max(_SUM_WATTS, _SUM_SHARE * known.total):
            return f"the rows would add up to {total:g} {unit}, the device says {known.total:g}"
    return ""


def _thresholds(quantity: str, lit: dict[int, float], conversion: Conversion, known: Evidence) -> str:
    for row, raws in known.thresholds.items():
        levels = list(_converted(quantity, dict(enumerate(raws)), conversion).values())
        if any(math.isnan(level) for level in levels) or levels != sorted(levels):
            return f"row {row}'s own thresholds would not rise"
        if row in lit and levels and not levels[0] - 2 * ACCURACY_DB <= lit[row] <= levels[-1] + 2 * ACCURACY_DB:
            return f"row {row} would be {lit[row]:g}, far outside its own thresholds {levels[0]:g} to {levels[-1]:g}"
    return ""


def _expected(quantity: str, lit: dict[int, float], _: Conversion, known: Evidence) -> str:
    slack = 2 * ACCURACY_DB if QUANTITIES[quantity].unit == "dbm" else 0.0
    for row, (low, high) in known.expected.items():
        if row in lit and not low - slack <= lit[row] <= high + slack:
            return f"row {row} would be {lit[row]:g}, the plan expects {low:g} to {high:g}"
    return ""


def _most(_: str, lit: dict[int, float], __: Conversion, known: Evidence) -> str:
    for row, most in known.most.items():
        if row in lit and lit[row] > most * _CLASS_SHARE:
            return f"row {row} would be {lit[row]:g}, its class allows {most:g}"
    return ""


def _example(quantity: str, values: Mapping[int, Raw], conversion: Conversion) -> str:
    seen = _converted(quantity, values, conversion)
    row, value = next(((r, v) for r, v in seen.items() if math.isfinite(v)), (0, math.nan))
    return f"row {row} {value:.2f} {UNITS[QUANTITIES[quantity].unit]}"
