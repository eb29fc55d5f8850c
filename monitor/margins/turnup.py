"""A pole at its turn-up, item by item: what was measured over some minutes against what the plan expects and allows.

Nothing is refused: what lies outside is named, and whoever signs decides.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.budgets.expected import PoleBudget
from monitor.budgets.feeders import stretch_ohms
from monitor.budgets.optical import Direction
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.margins.judge import Standing, judge
from monitor.margins.kinds import ends_of
from monitor.margins.limits import Limit
from monitor.margins.loop import from_level
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Load, Plan, Pole

RX_ERROR_DB: Final = 3.0
"""What an optic says of its own levels is right within ±3 dB: SFF-8472 rev 12.4, section 8.2."""
WATTS_SHARE: Final = 0.25
VOLTS_BESIDE, OHMS_SHARE, AMPERES_SHARE = 0.5, 0.1, 0.25
"""How far volts, feeder and amperes may lie beside the plan before that is said: common practice, no source."""
LEAST_READINGS: Final = 5


@dataclass(frozen=True, slots=True)
class Measured:
    """Readings of one quantity over the minutes: median, lowest, highest, and how many there were."""

    median: float
    low: float
    high: float
    count: int


@dataclass(frozen=True, slots=True)
class Item:
    """One item: what was measured, what the plan expects, the limits; ``beside`` is how far it is from the expected."""

    slot: Slot
    measured: Measured | None
    expected: tuple[float, float] | None
    low: float | None
    high: float | None
    source: str
    standing: Standing
    beside: float
    """Distance from the expected range, beyond what instruments and loads may differ; 0 within it."""

    @property
    def outside(self) -> bool:
        """Is it near or past a limit, or beside what the plan expects?"""
        return self.standing in (Standing.CLOSE, Standing.PAST) or self.beside != 0


def measured_of(values: Sequence[float]) -> Measured | None:
    """What some readings say together; None where there are too few to go by.

    >>> measured_of([-7.1, -7.2, -7.15, -7.2, -9.0])
    Measured(median=-7.2, low=-9.0, high=-7.1, count=5)
    """
    if len(values) < LEAST_READINGS:
        return None
    ordered = sorted(values)
    return Measured(ordered[len(ordered) // 2], ordered[0], ordered[-1], len(ordered))


def compared(
    pole: Pole,
    plan: Plan,
    sheets: Sheets,
    budget: PoleBudget,
    limits: Mapping[Slot, Limit],
    measured: Mapping[Slot, Measured],
    night: bool | None,
) -> tuple[Item, ...]:
    """Every item of a pole's budgets; those without readings stand without a value. ``night`` None: it is twilight,
    when infrared and heaters may be on or off."""
    made = [*_light(pole, plan, budget), *_power(pole, plan, sheets, budget, night)]
    return tuple(
        _item(slot, measured.get(slot), expected, allowed, limits.get(slot)) for slot, expected, allowed in made
    )


_Wanted = tuple[Slot, tuple[float, float] | None, float]
"""Slot, what the plan expects, and how far beside that is no news."""


def _light(pole: Pole, plan: Plan, budget: PoleBudget) -> Iterator[_Wanted]:
    if pole.fibre is None or budget.optical is None:
        return
    near, far = ends_of(pole, plan)
    for optic, arrives, leaves in (
        (far, budget.optical.outward, budget.optical.inward),
        (near, budget.optical.inward, budget.optical.outward),
    ):
        low, _, high = arrives.expected_rx_dbm
        yield Slot(optic, "rx_dbm"), (low, high), RX_ERROR_DB
        yield Slot(optic, "tx_dbm"), _sends(leaves), RX_ERROR_DB


def _sends(way: Direction) -> tuple[float, float]:
    return way.tx_dbm[0].value, way.tx_dbm[2].value


def _power(pole: Pole, plan: Plan, sheets: Sheets, budget: PoleBudget, night: bool | None) -> Iterator[_Wanted]:
    feeder, switch = budget.feeder, resources.switch(pole.name)
    loads = ("day", "night") if night is None else ("night",) if night else ("day",)
    cases = [case.at for case in feeder.cases if case.at is not None and case.case.loads in loads] if feeder else []
    volts = (min(at.volts for at in cases), max(at.volts for at in cases)) if cases else None
    yield Slot(switch, "input_volts"), volts, VOLTS_BESIDE
    if cases:
        amperes = (min(at.amperes for at in cases), max(at.amperes for at in cases))
        yield Slot(resources.feeder(pole.name), "feeder_amperes"), amperes, AMPERES_SHARE * amperes[1]
    if pole.feeder is not None and not pole.feeder.start:
        ohms = [stretch_ohms(pole.feeder, sheets, at_c) for at_c in (plan.site.coldest_c, plan.site.hottest_c)]
        yield Slot(resources.feeder(pole.name), "loop_ohms"), (min(ohms), max(ohms)), OHMS_SHARE * max(ohms)
    planned = {load.port: _watts(load, night) for load in pole.loads}
    for port in budget.poe.ports:
        low, high = planned[port.port]
        yield Slot(resources.port(pole.name, port.port), "port_watts"), (low, high), WATTS_SHARE * high + 0.5
    total = (sum(low for low, _ in planned.values()), sum(high for _, high in planned.values()))
    yield Slot(switch, "poe_total_watts"), total, WATTS_SHARE * total[1] + 1.0


def _watts(load: Load, night: bool | None) -> tuple[float, float]:
    """What a load is planned to draw, lowest and highest."""
    dark = load.night_watts if load.night_watts is not None else load.watts
    if night is None:
        return min(load.watts, dark), max(load.watts, dark)
    return (dark, dark) if night else (load.watts, load.watts)


def _item(
    slot: Slot, measured: Measured | None, expected: tuple[float, float] | None, allowed: float, limit: Limit | None
) -> Item:
    low, high, source = (limit.low, limit.high, limit.source) if limit else (None, None, "")
    if measured is None:
        return Item(slot, None, expected, low, high, source, Standing.NO_VALUE, 0.0)
    standing = judge(limit, measured.median, 0.0).standing if limit is not None else Standing.INSIDE
    beside = 0.0
    if expected is not None and math.isfinite(measured.median):
        below, above = measured.median - (expected[0] - allowed), measured.median - (expected[1] + allowed)
        beside = below if below < 0 else above if above > 0 else 0.0
    return Item(slot, measured, expected, low, high, source, standing, beside)


@dataclass(frozen=True, slots=True)
class Step:
    """Volts and amperes at one step of the load: the lowest or the highest that was drawn while it was measured."""

    watts: float
    volts: float
    amperes: float | None
    ohms: float | None


def steps(samples: Sequence[Mapping[Slot, float]], pole: Pole, supply: str) -> tuple[Step, ...]:
    """The steps of least and most watts among readings of one moment each; one where they do not differ.

    ``supply`` is the resource whose volts are at the head of this pole's feeder, empty where they are not known.
    """
    watts_at, volts_at = (
        Slot(resources.switch(pole.name), "poe_total_watts"),
        Slot(resources.switch(pole.name), "input_volts"),
    )
    amperes_at, supply_at = Slot(resources.feeder(pole.name), "feeder_amperes"), Slot(supply, "supply_volts")
    whole = [one for one in samples if watts_at in one and volts_at in one]
    if not whole:
        return ()
    found = []
    for one in (min(whole, key=lambda s: s[watts_at]), max(whole, key=lambda s: s[watts_at])):
        amperes, head = one.get(amperes_at), one.get(supply_at)
        loop = from_level(head, one[volts_at], amperes) if amperes is not None and head is not None else None
        found.append(Step(one[watts_at], one[volts_at], amperes, loop.ohms if loop else None))
    return tuple(found) if found[1].watts - found[0].watts > 0.5 else tuple(found[:1])
