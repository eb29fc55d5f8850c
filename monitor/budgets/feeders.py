"""The feeders of a plan: every tree in every case, what more it could carry, and what its protection would do."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from monitor.budgets.feeder import AtPole, Collapse, Stretch, loop_ohms, ohms_at, solve_tree
from monitor.budgets.loads import pole_watts
from monitor.budgets.protection import (
    Finding,
    carries_load,
    conductor_carries,
    fault_amperes,
    short_burns_on,
    supply_carries,
    touchable,
)
from monitor.budgets.terms import Term
from monitor.plan.datasheets import ConductorSheet, Sheets
from monitor.plan.parts import Feeder, MainsSupply, Plan, Pole, SolarSupply

SMALLEST_STEP_WATTS = 0.01


@dataclass(frozen=True, slots=True)
class Case:
    """One set of conditions under which a feeder is computed; ``loads`` is day, night, start_up or allocated."""

    name: str
    conductor_c: float
    loads: str


@dataclass(frozen=True, slots=True)
class FeederCase:
    """A feeder at one pole in one case; ``at`` is None where the volts collapse, and ``why`` says so."""

    case: Case
    pole_watts: float
    at: AtPole | None
    above_minimum_volts: float | None
    below_maximum_volts: float | None
    collapse_watts: float
    """Most that this pole could draw, all others as planned, before the volts collapse."""
    supply_watts: float | None
    """What the whole supply then gives."""
    why: str = ""

    @property
    def margin_volts(self) -> float | None:
        """The smaller distance, to the switch's minimum or maximum."""
        if self.above_minimum_volts is None or self.below_maximum_volts is None:
            return None
        return min(self.above_minimum_volts, self.below_maximum_volts)


@dataclass(frozen=True, slots=True)
class FeederBudget:
    """The DC feed of a pole."""

    supply: str
    supply_volts: float
    supply_limit_watts: float
    loop_ohms_at_20c: float
    terms: tuple[Term, ...]
    cases: tuple[FeederCase, ...]
    minimum_volts: float
    maximum_volts: float
    largest_extra_watts: float
    """Most that may be added at the pole's input so that every pole of the supply keeps its margins in all cases."""
    least_fault_amperes: float
    findings: tuple[Finding, ...]

    @property
    def worst(self) -> FeederCase:
        """The case with the least margin; a collapse is worse than any margin."""
        return min(self.cases, key=lambda case: -math.inf if case.margin_volts is None else case.margin_volts)


def cases_of(plan: Plan) -> tuple[Case, ...]:
    """The cases of a site: temperatures of the conductor and draws that go together."""
    site = plan.site
    return (
        Case("hot_day", site.hottest_c, "day"),
        Case("hot_night", site.hottest_c, "night"),
        Case("cold_night", site.coldest_c, "night"),
        Case("start_up", site.hottest_c, "start_up"),
        Case("allocated", site.hottest_c, "allocated"),
    )


def conductor_of(feeder: Feeder, sheets: Sheets) -> tuple[ConductorSheet, str]:
    """The table of a feeder's conductor and its size in it; ValueError where the size is not there."""
    if feeder.conductor_awg is not None:
        name, size = "copper-awg-stranded", str(feeder.conductor_awg)
    else:
        name = f"copper-mm2-class-{5 if feeder.conductor_class == 5 else 2}"
        size = f"{feeder.conductor_mm2:g}"
    sheet = sheets.conductors[name]
    if size not in sheet.ohms_per_km:
        raise ValueError(f"{name} has no size {size}; it has {', '.join(sheet.ohms_per_km)}")
    return sheet, size


def stretch_ohms(feeder: Feeder, sheets: Sheets, conductor_c: float) -> float:
    """Loop resistance [Ω] of one feeder stretch, joints included, at a conductor temperature [°C]."""
    sheet, size = conductor_of(feeder, sheets)
    warm = ohms_at(sheet.ohms_per_km[size], sheet.at_c, conductor_c, sheet.per_c.value)
    return loop_ohms(warm, feeder.length_m, feeder.joints, feeder.milliohms_per_joint)


Ohms = Callable[[Pole, float], float]
"""Loop resistance [Ω] of the stretch that ends at a pole, at a conductor temperature [°C]."""


@dataclass(frozen=True, slots=True)
class _Tree:
    """All poles that one supply feeds, each with its feeder."""

    supply: MainsSupply | SolarSupply
    volts: float
    limit_watts: float
    poles: tuple[tuple[Pole, Feeder], ...]

    def stretches(self, sheets: Sheets, case: Case, ohms: Ohms) -> dict[str, Stretch]:
        return {
            pole.name: Stretch(
                feeder.start, ohms(pole, case.conductor_c), pole_watts(pole, sheets, case.loads, case.conductor_c)
            )
            for pole, feeder in self.poles
        }


def feeder_budgets(plan: Plan, sheets: Sheets, measured: Mapping[str, float] | None = None) -> dict[str, FeederBudget]:
    """The feed of every pole that has a feeder. ``measured`` is pole → loop resistance [Ω at 20 °C] of its stretch,
    where a measured one is to take the place of the plan's."""
    known, found = measured or {}, dict[str, FeederBudget]()

    def ohms(pole: Pole, conductor_c: float) -> float:
        assert pole.feeder is not None, "only poles with a feeder come here"
        if pole.name in known:
            return ohms_at(known[pole.name], 20, conductor_c, 0.00393)  # IEC 60028
        return stretch_ohms(pole.feeder, sheets, conductor_c)

    for tree in _trees(plan):
        solved = {case: tree.stretches(sheets, case, ohms) for case in cases_of(plan)}
        for pole, feeder in tree.poles:
            found[pole.name] = _at(plan, tree, pole, feeder, sheets, solved, ohms)
    return found


def _trees(plan: Plan) -> list[_Tree]:
    """Supplies with the poles that they feed over copper. A pole without feeder is no part of one."""
    trees = []
    for supply in plan.supplies:
        poles = [(pole, pole.feeder) for pole in plan.poles if pole.feeder and _supply_of(plan, pole) == supply.name]
        if poles:
            volts, limit = _output(supply)
            trees.append(_Tree(supply, volts, limit, tuple(poles)))
    return trees


def _supply_of(plan: Plan, pole: Pole) -> str | None:
    while pole.feeder and pole.feeder.start:
        pole = plan.pole(pole.feeder.start)
    return pole.feeder.supply if pole.feeder else None


def _output(supply: MainsSupply | SolarSupply) -> tuple[float, float]:
    if isinstance(supply, MainsSupply):
        return supply.volts, supply.limit_watts
    if supply.converter:
        return supply.converter.output_volts, supply.converter.limit_watts
    return supply.battery.volts, math.inf


def _solve(tree: _Tree, stretches: Mapping[str, Stretch]) -> dict[str, AtPole] | str:
    try:
        return solve_tree(tree.volts, stretches)
    except Collapse as collapse:
        return str(collapse)


def _given(tree: _Tree, stretches: Mapping[str, Stretch], at: Mapping[str, AtPole]) -> float:
    return tree.volts * sum(at[name].amperes for name, stretch in stretches.items() if stretch.start is None)


def _more(stretches: Mapping[str, Stretch], pole: str, watts: float) -> dict[str, Stretch]:
    one = stretches[pole]
    return {**stretches, pole: replace(one, watts=one.watts + watts)}


def largest(holds: Callable[[float], bool], start: float = 1.0, most: float = 100_000.0) -> float:
    """Largest watts for which something still holds, by doubling and halving; 0 where not even none holds."""
    if not holds(0.0):
        return 0.0
    low, high = 0.0, start
    while holds(high):
        if high == most:
            return most
        low, high = high, min(high * 2, most)
    while high - low > SMALLEST_STEP_WATTS:
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _at(
    plan: Plan,
    tree: _Tree,
    pole: Pole,
    feeder: Feeder,
    sheets: Sheets,
    cases: Mapping[Case, dict[str, Stretch]],
    ohms: Ohms,
) -> FeederBudget:
    low, high = pole.switch.minimum_volts, pole.switch.maximum_volts
    rows = tuple(_case(tree, pole.name, case, stretches, low, high) for case, stretches in cases.items())
    sheet, size = conductor_of(feeder, sheets)
    at_20c = ohms_at(sheet.ohms_per_km[size], sheet.at_c, 20, sheet.per_c.value)
    terms = (
        Term(
            f"two conductors, {feeder.length_m:g} m",
            2 * at_20c * feeder.length_m / 1000,
            "Ω",
            f"{sheet.source}; at 20 °C",
        ),
        Term(f"{feeder.joints} joints", feeder.joints * feeder.milliohms_per_joint / 1000, "Ω", "the plan"),
    )
    fault = fault_amperes(tree.volts, max(1e-6, _way_ohms(plan, pole, plan.site.hottest_c, ohms)))
    extra = largest(
        lambda watts: all(
            _keeps(tree, _more(stretches, pole.name, watts))
            for case, stretches in cases.items()
            if case.loads != "allocated"
        )
    )
    findings = _findings(plan, tree, pole, feeder, rows, (sheet, size), fault)
    return FeederBudget(
        tree.supply.name, tree.volts, tree.limit_watts, ohms(pole, 20), terms, rows, low, high, extra, fault, findings
    )


def _case(tree: _Tree, pole: str, case: Case, stretches: Mapping[str, Stretch], low: float, high: float) -> FeederCase:
    planned = stretches[pole].watts
    collapse = largest(lambda watts: not isinstance(_solve(tree, _more(stretches, pole, watts - planned)), str))
    solved = _solve(tree, stretches)
    if isinstance(solved, str):
        return FeederCase(case, planned, None, None, None, collapse, None, solved)
    at = solved[pole]
    return FeederCase(case, planned, at, at.volts - low, high - at.volts, collapse, _given(tree, stretches, solved))


def _keeps(tree: _Tree, stretches: Mapping[str, Stretch]) -> bool:
    """Does every pole keep its volts, the supply its limit and each protection its rating?"""
    solved = _solve(tree, stretches)
    if isinstance(solved, str) or _given(tree, stretches, solved) > tree.limit_watts:
        return False
    for pole, feeder in tree.poles:
        if solved[pole.name].volts < pole.switch.minimum_volts:
            return False
        if feeder.protection and solved[pole.name].amperes > feeder.protection.trip_amperes:
            return False
    return True


def _way_ohms(plan: Plan, pole: Pole, conductor_c: float, ohms: Ohms) -> float:
    """Loop resistance [Ω] from the supply all the way to a pole."""
    total = ohms(pole, conductor_c)
    while pole.feeder and pole.feeder.start:
        pole = plan.pole(pole.feeder.start)
        total += ohms(pole, conductor_c)
    return total


def _findings(
    plan: Plan,
    tree: _Tree,
    pole: Pole,
    feeder: Feeder,
    rows: tuple[FeederCase, ...],
    conductor: tuple[ConductorSheet, str],
    fault: float,
) -> tuple[Finding, ...]:
    first = pole
    while first.feeder and first.feeder.start:
        first = plan.pole(first.feeder.start)
    protection = first.feeder.protection if first.feeder else None
    steady = [row for row in rows if row.at is not None and row.case.loads != "allocated"]
    highest = max(steady, key=lambda row: row.at.amperes if row.at else 0.0, default=None)
    amperes = highest.at.amperes if highest and highest.at else 0.0
    found = []
    if protection is None:
        found.append(
            Finding("no protection in the plan", False, "the plan names no protection of this feeder", note=True)
        )
    else:
        found.append(short_burns_on(protection.kind, protection.trip_amperes, fault))
        if feeder.protection and highest:
            found.append(carries_load(protection.kind, protection.trip_amperes, amperes, highest.case.name))
    (sheet, size), trip = conductor, protection.trip_amperes if protection else None
    rated = sheet.amperes.get(size)
    found.append(conductor_carries(size, rated.value if rated else None, trip, amperes, rated.source if rated else ""))
    given = max((row.supply_watts or 0.0 for row in rows if row.case.loads != "allocated"), default=0.0)
    return (*found, supply_carries(given, tree.limit_watts), *touchable(tree.volts, tree.limit_watts))
