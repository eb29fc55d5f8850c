"""Will a feeder's protection do what it is for: carry the load, and cut a short at the far end?"""

from dataclasses import dataclass
from typing import Final

from monitor.budgets.terms import need

SURE_TO_TRIP: Final = {"electronic": 1.0, "breaker": 1.45, "fuse": 1.9}
"""Multiple of the rating at which each kind is sure to open within its conventional time: an electronic limit at
its setting; a breaker at 1.45·In (IEC 60898-1 table 7, from memory); a gG fuse of 4 to 16 A at 1.9·In (IEC
60269-1 table 2, from memory). Less current than that burns on."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that the design should know by name; ``bad``: must be mended, ``note``: must be known."""

    name: str
    bad: bool
    sentence: str
    note: bool = False


_CALLED: Final = {"electronic": "electronic limit", "breaker": "breaker", "fuse": "fuse"}


def fault_amperes(supply_volts: float, loop_ohms: float) -> float:
    """Current [A] of a dead short at the end of a loop [Ω] on a supply [V]: Ohm's law, V/R.

    The least one flows over the hot loop. Valid for R > 0.

    >>> round(fault_amperes(54, 8.8), 1)
    6.1
    """
    need("loop", loop_ohms, 1e-6, 1e6, "Ω")
    return supply_volts / loop_ohms


def short_burns_on(kind: str, trip_amperes: float, least_fault_amperes: float) -> Finding:
    """A short at the far end against the protection's rating [A]."""
    needed = SURE_TO_TRIP[kind] * trip_amperes
    bad = least_fault_amperes < needed
    sentence = (
        f"a short at the far end draws {least_fault_amperes:.1f} A over the hot loop; the {_CALLED[kind]} of "
        f"{trip_amperes:g} A is sure to open at {needed:.1f} A"
    )
    return Finding("short burns on", bad, sentence + (": the short would burn on and heat the cable" if bad else ""))


def carries_load(kind: str, trip_amperes: float, highest_amperes: float, case: str) -> Finding:
    """The highest current of any case [A] against the rating [A]."""
    bad = highest_amperes > trip_amperes
    sentence = f"the {_CALLED[kind]} of {trip_amperes:g} A carries at most {highest_amperes:.2f} A (case {case})"
    return Finding("protection too small", bad, sentence + (": it would open in normal use" if bad else ""))


def conductor_carries(
    size: str, ampacity: float | None, trip_amperes: float | None, highest_amperes: float, source: str
) -> Finding:
    """The conductor's long-term current [A] against what protection (or, without one, the load) lets through."""
    through = max(trip_amperes or 0.0, highest_amperes)
    if ampacity is None:
        return Finding("conductor not rated", True, f"the datasheet has no long-term current for size {size}")
    bad = through > ampacity
    sentence = f"up to {through:.1f} A may flow; the conductor ({size}) may carry {ampacity:g} A ({source})"
    return Finding("conductor too small", bad, sentence)


EXTRA_LOW_VOLTAGE = 60.0
"""Volts DC: ES1 in IEC 62368-1 table 4."""
LIMITED_POWER_WATTS = 100.0
"""Limited power source in IEC 62368-1 annex Q, and class 2 circuits in NEC 725; from memory."""


def supply_carries(most_watts: float, limit_watts: float) -> Finding:
    """The highest draw of any case [W] against what the supply may give [W]."""
    sentence = f"the supply gives at most {most_watts:.0f} W and may give {limit_watts:g} W"
    return Finding("supply too small", most_watts > limit_watts, sentence)


def touchable(volts: float, limit_watts: float) -> tuple[Finding, ...]:
    """Limits of volts [V] and watts [W] beyond which other codes apply; these always defer to local code."""
    over = f"{volts:g} V; above {EXTRA_LOW_VOLTAGE:g} V DC it is no longer ES1 (IEC 62368-1): local codes then apply"
    found = (Finding("over extra-low voltage", volts > EXTRA_LOW_VOLTAGE, over),)
    if limit_watts <= LIMITED_POWER_WATTS:
        return found
    energy = (
        f"a fault may draw more than {LIMITED_POWER_WATTS:g} W: no limited power source (IEC 62368-1 annex Q), no "
        "class 2 circuit (NEC 725), from memory: local codes for cable and protection apply"
    )
    return (*found, Finding("over limited power", False, energy, note=True))
