"""The feeders as a resistor network with constant-power loads, solved by nodal analysis.

Conductance matrix and current injection; copper from its resistivity and area, nothing from cable tables.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

RESISTIVITY_OHM_MM2_PER_M = 0.01724
"""Annealed copper at 20 °C (IACS)."""
PER_C = 0.0039


def stretch_ohms(area_mm2: float, length_m: float, c: float, joints_ohms: float) -> float:
    """Ω out and back of a pair at a temperature."""
    return 2 * RESISTIVITY_OHM_MM2_PER_M * length_m / area_mm2 * (1 + PER_C * (c - 20)) + joints_ohms


@dataclass(frozen=True)
class Span:
    """One stretch from ``start`` (None: the supply) to a pole."""

    start: str | None
    ohms: float


def nodal(
    volts: float, spans: Mapping[str, Span], watts: Mapping[str, float], dropout_volts: float = 36.0
) -> dict[str, tuple[float, float]]:
    """Pole → (volts there, amperes through its stretch). A load below ``dropout_volts`` draws nothing."""
    names = list(spans)
    row = {name: i for i, name in enumerate(names)}
    matrix, source = np.zeros((len(names), len(names))), np.zeros(len(names))
    for name, span in spans.items():
        siemens = 1 / max(span.ohms, 1e-4)
        i = row[name]
        matrix[i, i] += siemens
        if span.start is None:
            source[i] += siemens * volts
        else:
            j = row[span.start]
            matrix[j, j] += siemens
            matrix[i, j] -= siemens
            matrix[j, i] -= siemens
    inverse = np.linalg.inv(matrix)
    at = np.full(len(names), volts)
    draw = np.array([watts[name] for name in names])
    for _ in range(200):
        alive = at > dropout_volts
        new = inverse @ (source - np.where(alive, draw / np.maximum(at, 1.0), 0.0))
        if np.max(np.abs(new - at)) < 1e-7:
            at = new
            break
        at = 0.5 * at + 0.5 * new if np.min(new) < dropout_volts else new
    found = {}
    for name, span in spans.items():
        above = volts if span.start is None else float(at[row[span.start]])
        found[name] = (float(at[row[name]]), (above - float(at[row[name]])) / max(span.ohms, 1e-4))
    return found
