"""What is judged over months: which series, at which temperature, by which daily figure, against which limit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.budgets.expected import SiteBudget
from monitor.budgets.feeder import most_ohms
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.words import say
from monitor.margins.drift import RESET_DAYS, USED_SHARE, Judged, judge
from monitor.margins.features import Features, Floats
from monitor.margins.limits import limits_of
from monitor.plan.parts import Plan, Pole

BIAS_END_SHARE = 1.5
"""A laser is at its end when its bias has risen by half: Telcordia GR-468-CORE, from memory."""


ONE_DAY = say("the plan: what is held must carry a day of the longest night without sun")


@dataclass(frozen=True, slots=True)
class Kind:
    """How a quantity is judged. ``certain`` is what the weighted mean must reach [σ]."""

    below: bool
    certain: float
    block_days: int = 3
    prior: float = 0.5
    gate_share: float = USED_SHARE
    """Of the margin: less is no news. What a battery holds moves by a tenth with the season, whatever is corrected."""
    words: str = ""
    unit: str = ""
    smooth_days: int = 1
    """Over how many days with a value a trailing median is taken first."""
    reset_days: int = RESET_DAYS
    """How long a jump away from the limit must last to be taken for a repair that nobody noted."""
    log: bool = False
    """Judged by its logarithm: a laser's threshold current grows by e every so many kelvin, so that only its
    logarithm is straight in the temperature."""


KINDS: Final[dict[str, Kind]] = {
    "rx_dbm": Kind(True, 10.0, words=say("light that arrives"), unit="dB"),
    "bias_milliamperes": Kind(False, 5.0, log=True, words=say("laser bias"), unit="mA"),
    "loop_ohms": Kind(False, 10.0, words=say("feeder resistance"), unit="Ω"),
    "held_watt_hours": Kind(
        True, 1.6, 7, 0.9, 0.35, words=say("what the battery holds"), unit="Wh", smooth_days=15, reset_days=45
    ),
}
"""Quantity → how it is judged."""

TEMPERATURES: Final[dict[str, str]] = {
    "rx_dbm": "optic_c",
    "tx_dbm": "optic_c",
    "bias_milliamperes": "optic_c",
    "loop_ohms": "board_c",
    "input_volts": "",
    "battery_volts": "battery_c",
    "battery_percent": "battery_c",
    "held_watt_hours": "",
}
"""Quantity of which features are kept → the temperature at the same place that it is compared at."""


def temperature_of(slot: Slot) -> Slot | None:
    """The series of the temperature at which a series is compared. A feeder's copper is about as warm as the board."""
    beside = TEMPERATURES.get(slot.quantity, "")
    if beside == "board_c":
        return Slot(resources.switch(resources.place_of(slot.resource)), beside)
    return Slot(slot.resource, beside) if beside else None


@dataclass(frozen=True, slots=True)
class Watched:
    """One series that is judged: its kind, its limit (None: it follows from its own baseline), the pole it is of."""

    kind: Kind
    limit: float | None
    pole: str
    temperature: Slot | None
    source: str
    note: str = ""


def judged_as(kind: Kind, features: Features, limit: float | None, resets: Sequence[int]) -> tuple[Judged, float]:
    """Judge a series by its kind against a limit, or against that which follows from its own baseline.

    Gives the judgement, in the series' unit, and the limit. Raises CannotSay.
    """
    if limit is not None:
        return _judged(kind, features, limit, resets), limit
    first = float(np.median(features.midmean[:28])) if len(features) else 0.0
    judged = _judged(kind, features, BIAS_END_SHARE * first, resets)
    limit = BIAS_END_SHARE * judged.baseline.value
    return _judged(kind, features, limit, resets), limit


def _judged(kind: Kind, features: Features, limit: float, resets: Sequence[int]) -> Judged:
    if kind.smooth_days > 1:
        features = replace(features, midmean=_trailing(features.midmean, kind.smooth_days))
    if not kind.log:
        return judge(
            features,
            limit,
            kind.below,
            tuple(resets),
            certain=kind.certain,
            gate_share=kind.gate_share,
            reset_days=kind.reset_days,
        )
    positive = features.midmean > 0
    if not positive.all():
        features = Features(*(getattr(features, name)[positive] for name in Features.__slots__))
    straight = replace(features, midmean=np.log(features.midmean), sxy=features.sxy / features.midmean)
    found = judge(straight, math.log(limit) if limit > 0 else 0.0, kind.below, tuple(resets), certain=kind.certain)
    value = math.exp(found.baseline.value)
    baseline = replace(found.baseline, value=value, sigma=value * found.baseline.sigma)
    drift = found.drift and replace(found.drift, effect=value * (math.exp(found.drift.effect) - 1))
    return replace(found, baseline=baseline, drift=drift, compared=np.exp(found.compared), beta=found.beta * value)


def _trailing(y: Floats, window: int) -> Floats:
    """Median of each value and those before it, as many as the window holds."""
    padded = np.concatenate([np.full(window - 1, y[0] if len(y) else 0.0), y])
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, window), axis=1)) if len(y) else y


def watched(plan: Plan, budget: SiteBudget) -> dict[Slot, Watched]:
    """Every series of a plan that is judged over months, with its limit."""
    found: dict[Slot, Watched] = {}
    limits = limits_of(plan, budget)
    for pole in plan.poles:
        if pole.fibre is not None:
            for optic in ends_of(pole, plan):
                light, bias = Slot(optic, "rx_dbm"), Slot(optic, "bias_milliamperes")
                limit = limits.get(light)
                if limit is not None and limit.low is not None:
                    note = pole.fibre.end.optic
                    found[light] = _of(light, limit.low, pole.name, limit.source, note)
                found[bias] = _of(bias, None, pole.name, say("bias half above its baseline: Telcordia GR-468-CORE"))
        loop = _loop(budget, pole)
        if loop is not None:
            slot = Slot(resources.feeder(pole.name), "loop_ohms")
            found[slot] = _of(slot, loop, pole.name, say("volts at the switch's least, at the plan's highest load"))
        battery = budget.poles[pole.name].autonomy
        if pole.supply is not None and battery is not None:
            slot = Slot(resources.supply(pole.supply), "held_watt_hours")
            found[slot] = _of(slot, battery.terms[0].value / battery.days, pole.name, ONE_DAY)
    return found


def ends_of(pole: Pole, plan: Plan) -> tuple[str, str]:
    """The optics at both ends of a pole's fibre: the near one, towards the head-end, and its own."""
    assert pole.fibre is not None, "only poles with fibre have optics at its ends"
    above = pole.fibre.start.pole or plan.headend.name
    return resources.optic(above, pole.fibre.start.port), resources.optic(pole.name, pole.fibre.end.port)


def _of(slot: Slot, limit: float | None, pole: str, source: str, note: str = "") -> Watched:
    return Watched(KINDS[slot.quantity], limit, pole, temperature_of(slot), source, note)


def _loop(budget: SiteBudget, pole: Pole) -> float | None:
    """Resistance at which this feeder's pole would fall below its volts in the worst steady case of the plan."""
    feeder = budget.poles[pole.name].feeder
    steady = (
        [case.at for case in feeder.cases if case.at is not None and case.case.loads in ("day", "night")]
        if feeder
        else []
    )
    if feeder is None or not steady or pole.feeder is None or pole.feeder.start:
        return None
    watts = max(at.volts * at.amperes for at in steady)
    return most_ohms(feeder.supply_volts, watts, feeder.minimum_volts)
