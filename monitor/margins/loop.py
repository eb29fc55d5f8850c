"""The loop resistance of a feeder as it is measured: from volts and amperes, and from the steps of its own load."""

import math
from dataclasses import dataclass

LEAST_AMPERES = 0.2
LEAST_STEP_AMPERES = 0.1
STEP_WITHIN_S = 180.0
"""The infrared of two cameras is a step of some 0.15 A at 54 V; below these the volts' own steps drown it (common
practice, no source)."""
VOLTS_ERROR, AMPERES_ERROR_SHARE = 0.02, 0.01
"""Standard uncertainty of a meter's volts [V] and amperes [share]: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Loop:
    """A resistance [Ω] and its standard uncertainty [Ω]."""

    ohms: float
    error_ohms: float


def from_level(supply_volts: float, pole_volts: float, amperes: float) -> Loop | None:
    """R = (Vs − V) / I of the stretch between supply and pole, whose whole current is I.

    Uncertainty by the law of propagation (JCGM 100:2008, 5.1.2): u(R)² = 2·(u(V)/I)² + (R·u(I)/I)². None where so
    little current flows that nothing can be said, or where the volts rise along the feeder.

    >>> loop = from_level(54.0, 51.5, 1.0)
    >>> loop.ohms, round(loop.error_ohms, 3)
    (2.5, 0.038)
    """
    if amperes < LEAST_AMPERES or pole_volts > supply_volts:
        return None
    ohms = (supply_volts - pole_volts) / amperes
    error = math.hypot(math.sqrt(2) * VOLTS_ERROR / amperes, ohms * AMPERES_ERROR_SHARE)
    return Loop(ohms, error)


def from_step(before: tuple[float, float], after: tuple[float, float]) -> Loop | None:
    """R = −ΔV/ΔI of two (pole volts, amperes) pairs around a step of the load: the nightly load test by infrared.

    The supply's volts fall out of it. None where the step is too small or the volts did not fall with it.

    >>> loop = from_step((51.5, 1.0), (50.5, 1.4))
    >>> round(loop.ohms, 2), round(loop.error_ohms, 2)
    (2.5, 0.11)
    """
    rise = after[1] - before[1]
    ohms = -(after[0] - before[0]) / rise if rise else -1.0
    if abs(rise) < LEAST_STEP_AMPERES or ohms <= 0:
        return None
    error_amperes = AMPERES_ERROR_SHARE * max(before[1], after[1])
    error = math.hypot(math.sqrt(2) * VOLTS_ERROR / abs(rise), ohms * error_amperes / abs(rise))
    return Loop(ohms, error)
