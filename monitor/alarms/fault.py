"""What can break on a pole, how often, and how it shows: the table that the diagnosis reasons with.

Each fault has a rate per pole and year, factors by context, and for each sign that it makes the chance with which it
makes it. Common practice of the trade, no source: defaults that the benches test and a site's own record adjusts.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

DARK: Final = {"pole_silent": 0.98, "agent_silent": 0.98}
"""Of every fault that takes the whole pole away."""
POWERLESS: Final = {**DARK, "link_down": 0.97, "restarted": 0.95, "gasped": 0.5}
DUSK, COLD, HOT, WET, STORM, VISIT = "dusk", "cold", "hot", "wet", "storm", "visit"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. ``number`` is that of the project's list of faults; some numbers have two forms."""

    name: str
    number: int
    group: str
    per_year: float
    signs: Mapping[str, float]
    context: Mapping[str, float] = field(default_factory=dict)
    only: str = ""
    """``fed``, ``solar`` or ``fibre``: the only poles at which it can happen."""
