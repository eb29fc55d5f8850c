"""Direct current over copper to loads that draw constant power.

A switch-mode load draws what it needs whatever the volts: less volts, more amperes, more loss. Below a
point the run cannot carry the power at all and the volts collapse.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from monitor.budgets.terms import need


class Collapse(ValueError):
    """No voltage exists at which the feeder could carry this power."""


def ohms_at(ohms: float, from_c: float, to_c: float, per_c: float) -> float:
    """Resistance [Ω] of a conductor at ``to_c`` [°C], known at ``from_c`` [°C] with its coefficient [1/°C].

    R(t) = R₀·(1 + α·(t − t₀)), with α for t₀. Source: IEC 60028 clause 2 (α₂₀ = 0.00393) and NEC Chapter 9
    Table 8 note 2 (α₇₅ = 0.00323). Valid from −60 to 150 °C.

    >>> round(ohms_at(3.07, 75, 20, 0.00323), 3)
    2.525
    """
    need("conductor temperature", to_c, -60, 150, "°C")
    return ohms * (1 + per_c * (to_c - from_c))


def loop_ohms(ohms_per_km: float, length_m: float, joints: int = 0, milliohms_per_joint: float = 0) -> float:
    """Resistance [Ω] out and back of a pair [Ω/km of one conductor] of a length [m], with its joints.

    R = 2·r·L + n·r_j: current flows through both conductors. Valid for 0 to 200 km.

    >>> round(loop_ohms(3.08, 640, 4, 5), 4)
    3.9624
    """
    need("length of the feeder", length_m, 0, 200_000, "m")
    return 2 * ohms_per_km * length_m / 1000 + joints * milliohms_per_joint / 1000


def collapse_watts(supply_volts: float, ohms: float) -> float:
    """Largest power [W] that a loop [Ω] can deliver from a supply [V]: Vs²/4R (maximum power transfer).

    >>> collapse_watts(48, 18.0)
    32.0
    """
    return math.inf if ohms == 0 else supply_volts**2 / (4 * ohms)


def constant_power_volts(supply_volts: float, watts: float, ohms: float) -> float:
    """Volts at the far end of a loop [Ω] at which a load draws constant power [W] from a supply [V].

    V = (Vs + √(Vs² − 4·P·R))/2, the upper (stable) branch of V² − Vs·V + P·R = 0. Source: Kirchhoff's
    voltage law, V = Vs − (P/V)·R. Raises Collapse beyond Vs²/4R. Valid for P ≥ 0, R ≥ 0, 0 < Vs ≤ 1500 V.

    >>> constant_power_volts(48, 24, 18.0)
    36.0
    """
    need("supply", supply_volts, 1e-9, 1500, "V")
    need("power", watts, 0, 1e6, "W")
    need("loop", ohms, 0, 1e6, "Ω")
    under = supply_volts**2 - 4 * watts * ohms
    if under < 0:
        raise Collapse(
            f"{watts:g} W over {ohms:.3g} Ω from {supply_volts:g} V: no more than "
            f"{collapse_watts(supply_volts, ohms):.1f} W can be carried"
        )
    return (supply_volts + math.sqrt(under)) / 2


def most_ohms(supply_volts: float, watts: float, least_volts: float) -> float:
    """Loop [Ω] at which a constant-power load [W] falls to the least volts that it bears [V].

    R = (Vs − V)·V/P from Kirchhoff's voltage law with I = P/V; where V is less than Vs/2 the volts collapse first,
    at R = Vs²/4P (maximum power transfer).

    >>> round(most_ohms(48, 24, 36), 6)
    18.0
    """
    need("supply", supply_volts, 1e-9, 1500, "V")
    need("power", watts, 1e-9, 1e6, "W")
    at_least = max(least_volts, supply_volts / 2)
    return max(0.0, supply_volts - at_least) * at_least / watts


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch of a feeder that ends at a pole: where it starts (None: at the supply), Ω and the pole's W."""

    start: str | None
    ohms: float
    watts: float


@dataclass(frozen=True, slots=True)
class AtPole:
    """What arrives at a pole: volts there, amperes through the stretch before it, watts lost in it."""

    volts: float
    amperes: float
    loss_watts: float


def solve_tree(supply_volts: float, stretches: Mapping[str, Stretch]) -> dict[str, AtPole]:
    """Volts and amperes at every pole of one feeder tree with constant-power loads.

    Solves G·V + P/V = G_s·V_s by Newton's method from V = V_s. P/V is convex and the Jacobian G − P/V² is an
    M-matrix on the upper branch, so the iteration falls monotonically to the largest solution where one
    exists, and a pivot turns non-positive where none does. The tree is eliminated from its leaves, so a
    step costs one pass. Source: monotone Newton theorem, Ortega & Rheinboldt (1970) 13.3.4.

    Raises Collapse where the loads cannot be carried. Zero-ohm stretches are taken as 1 µΩ.

    >>> at = solve_tree(48, {"creek": Stretch(None, 18.0, 24)})["creek"]
    >>> round(at.volts, 6), round(at.amperes, 4), round(at.loss_watts, 3)
    (36.0, 0.6667, 8.0)
    """
    order = _outward(stretches)
    siemens = {name: 1 / max(stretches[name].ohms, 1e-6) for name in order}
    volts = dict.fromkeys(order, supply_volts)
    for _ in range(60):
        step = _newton_step(supply_volts, stretches, order, siemens, volts)
        for name in order:
            volts[name] += step[name]
        if min(volts.values()) <= 0:
            raise Collapse("the loads draw more than this feeder can carry")
        if max(abs(change) for change in step.values()) < 1e-12 * supply_volts:
            break
    else:
        if max(abs(change) for change in step.values()) > 1e-6 * supply_volts:
            raise Collapse("the loads draw as much as this feeder can carry, or more")
    return {name: _arrives(stretches[name], supply_volts, volts, name) for name in order}


def _outward(stretches: Mapping[str, Stretch]) -> list[str]:
    """Names so that each comes after the one it starts from."""
    order: list[str] = []
    waiting = dict(stretches)
    while waiting:
        ready = [name for name, stretch in waiting.items() if stretch.start is None or stretch.start in order]
        if not ready:
            raise ValueError(f"these stretches start nowhere or in a circle: {', '.join(waiting)}")
        order += ready
        for name in ready:
            del waiting[name]
    return order


def _newton_step(
    supply_volts: float,
    stretches: Mapping[str, Stretch],
    order: list[str],
    siemens: Mapping[str, float],
    volts: Mapping[str, float],
) -> dict[str, float]:
    pivot = {name: siemens[name] - stretches[name].watts / volts[name] ** 2 for name in order}
    above = {name: volts[start] if (start := stretches[name].start) else supply_volts for name in order}
    short = {name: siemens[name] * (above[name] - volts[name]) - stretches[name].watts / volts[name] for name in order}
    for name in order:
        start = stretches[name].start
        if start is not None:
            pivot[start] += siemens[name]
            short[start] -= siemens[name] * (above[name] - volts[name])
    for name in reversed(order):
        start = stretches[name].start
        if pivot[name] <= 0:
            raise Collapse("the loads draw more than this feeder can carry")
        if start is not None:
            pivot[start] -= siemens[name] ** 2 / pivot[name]
            short[start] += siemens[name] * short[name] / pivot[name]
    step: dict[str, float] = {}
    for name in order:
        start = stretches[name].start
        step[name] = (short[name] + (siemens[name] * step[start] if start is not None else 0)) / pivot[name]
    return step


def _arrives(stretch: Stretch, supply_volts: float, volts: Mapping[str, float], name: str) -> AtPole:
    drop = (volts[stretch.start] if stretch.start else supply_volts) - volts[name]
    amperes = drop / max(stretch.ohms, 1e-6)
    return AtPole(volts[name], amperes, drop * amperes)
