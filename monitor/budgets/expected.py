"""All budgets of a plan, pole by pole: what the design says should be measured."""

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.budgets.feeder import AtPole, Collapse, Stretch, loop_ohms, ohms_at, solve_tree
from monitor.budgets.optical import OpticalBudget, link
from monitor.budgets.poe import PoeBudget, port_budget, switch_budget
from monitor.budgets.terms import Term
from monitor.plan.datasheets import ConductorSheet, Sheets
from monitor.plan.parts import Feeder, Load, MainsSupply, Plan, Pole, SolarSupply

BOOST_VOLTS = 54.0
"""What a boost stage puts on its PoE ports: common practice, no source (within 50 to 57 V of 802.3at)."""


@dataclass(frozen=True, slots=True)
class Case:
    """One set of conditions under which a feeder is computed."""

    name: str
    conductor_c: float
    loads: str
    """day, night, start_up or allocated."""


@dataclass(frozen=True, slots=True)
class FeederCase:
    """A feeder at one pole in one case; ``at`` is None where the volts collapse, and ``why`` says so."""

    case: Case
    pole_watts: float
    at: AtPole | None
    margin_volts: float | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class FeederBudget:
    """The DC feed of a pole."""

    supply: str
    supply_volts: float
    loop_ohms_at_20c: float
    terms: tuple[Term, ...]
    cases: tuple[FeederCase, ...]
    minimum_volts: float
    maximum_volts: float

    @property
    def worst(self) -> FeederCase:
        """The case with the least margin; a collapse is worse than any margin."""
        return min(self.cases, key=lambda case: float("-inf") if case.margin_volts is None else case.margin_volts)


@dataclass(frozen=True, slots=True)
class PoleBudget:
    """The budgets of one pole; None where there is no such thing (no fibre, no feeder)."""

    pole: str
    optical: OpticalBudget | None
    feeder: FeederBudget | None
    poe: PoeBudget


@dataclass(frozen=True, slots=True)
class SiteBudget:
    """The budgets of every pole of a plan."""

    poles: Mapping[str, PoleBudget]


def watts_of(load: Load, case: str) -> float:
    """Planned draw [W] of a load at the device, by day, by night (infrared, heater), or at start-up."""
    night = (load.night_watts if load.night_watts is not None else load.watts) + load.heater_watts
    if case == "day":
        return load.watts
    return max(night, load.start_up_watts or 0) if case == "start_up" else night


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


def site_budget(plan: Plan, sheets: Sheets) -> SiteBudget:
    """Every budget of a plan that read_plan has accepted."""
    feeders = _feeders(plan, sheets)
    return SiteBudget(
        {
            pole.name: PoleBudget(
                pole.name, _optical(plan, pole, sheets), feeders.get(pole.name), _poe(pole, sheets, "night")
            )
            for pole in plan.poles
        }
    )


def _optical(plan: Plan, pole: Pole, sheets: Sheets) -> OpticalBudget | None:
    run = pole.fibre
    if run is None:
        return None
    return link(
        run,
        sheets.fibres[run.type],
        sheets.optics[run.start.optic],
        sheets.optics[run.end.optic],
        run.start.pole or plan.headend.name,
        pole.name,
    )


def _poe(pole: Pole, sheets: Sheets, case: str) -> PoeBudget:
    ports = []
    for load in pole.loads:
        sheet = sheets.poe_classes[load.poe_class]
        watts = sheet.pd_watts if case == "allocated" else min(watts_of(load, case), sheet.pd_watts)
        ports.append(port_budget(load.port, load.name, watts, BOOST_VOLTS, load.cable_m, load.poe_class, sheet))
    return switch_budget(ports, pole.switch.poe_budget_watts)


def pole_watts(pole: Pole, sheets: Sheets, case: str) -> float:
    """Watts [W] that a pole's switch draws at its input: itself, its ports, and the loss of a boost stage."""
    poe = min(_poe(pole, sheets, case).total_watts, pole.switch.poe_budget_watts)
    efficiency = pole.switch.poe_efficiency if pole.switch.poe_input == "boost" else 1.0
    return pole.switch.own_watts + poe / efficiency


def conductor_of(feeder: Feeder, sheets: Sheets) -> tuple[ConductorSheet, float]:
    """The table of a feeder's conductor and its ohms per km; ValueError where the size is not in it."""
    if feeder.conductor_awg is not None:
        name, size = "copper-awg-stranded", str(feeder.conductor_awg)
    else:
        name = f"copper-mm2-class-{5 if feeder.conductor_class == 5 else 2}"
        size = f"{feeder.conductor_mm2:g}"
    sheet = sheets.conductors[name]
    if size not in sheet.ohms_per_km:
        raise ValueError(f"{name} has no size {size}; it has {', '.join(sheet.ohms_per_km)}")
    return sheet, sheet.ohms_per_km[size]


def _loop(feeder: Feeder, sheets: Sheets, conductor_c: float) -> float:
    sheet, ohms_per_km = conductor_of(feeder, sheets)
    warm = ohms_at(ohms_per_km, sheet.at_c, conductor_c, sheet.per_c.value)
    return loop_ohms(warm, feeder.length_m, feeder.joints, feeder.milliohms_per_joint)


def _trees(plan: Plan) -> dict[str, list[Pole]]:
    """First pole of each feeder → all poles on it, nearest first."""
    trees: dict[str, list[Pole]] = {p.name: [p] for p in plan.poles if p.feeder and p.feeder.supply}
    waiting = [pole for pole in plan.poles if pole.feeder and pole.feeder.start]
    while waiting:
        for pole in waiting:
            start = pole.feeder.start if pole.feeder else None
            tree = next((tree for tree in trees.values() if start in {p.name for p in tree}), None)
            if tree is not None:
                tree.append(pole)
                waiting.remove(pole)
                break
    return trees


def _feeders(plan: Plan, sheets: Sheets) -> dict[str, FeederBudget]:
    found: dict[str, FeederBudget] = {}
    for poles in _trees(plan).values():
        supply = plan.supply(_supply_name(poles[0]))
        volts = supply.volts if isinstance(supply, MainsSupply) else _converter_volts(supply)
        cases = {case: _solve(poles, sheets, case, volts) for case in cases_of(plan)}
        for pole in poles:
            found[pole.name] = _at(pole, supply.name, volts, sheets, cases)
    return found


def _supply_name(first: Pole) -> str:
    name = first.feeder.supply if first.feeder else None
    assert name is not None, "a tree begins at a supply"
    return name


def _converter_volts(supply: SolarSupply) -> float:
    return supply.converter.output_volts if supply.converter else supply.battery.volts


def _solve(poles: list[Pole], sheets: Sheets, case: Case, volts: float) -> dict[str, AtPole] | str:
    stretches = {
        pole.name: Stretch(
            pole.feeder.start, _loop(pole.feeder, sheets, case.conductor_c), pole_watts(pole, sheets, case.loads)
        )
        for pole in poles
        if pole.feeder
    }
    try:
        return solve_tree(volts, stretches)
    except Collapse as collapse:
        return str(collapse)


def _at(
    pole: Pole, supply: str, volts: float, sheets: Sheets, cases: Mapping[Case, Mapping[str, AtPole] | str]
) -> FeederBudget:
    assert pole.feeder is not None, "only poles with a feeder come here"
    sheet, ohms_per_km = conductor_of(pole.feeder, sheets)
    low, high = pole.switch.minimum_volts, pole.switch.maximum_volts
    rows = []
    for case, solved in cases.items():
        watts = pole_watts(pole, sheets, case.loads)
        if isinstance(solved, str):
            rows.append(FeederCase(case, watts, None, None, solved))
        else:
            at = solved[pole.name]
            rows.append(FeederCase(case, watts, at, min(at.volts - low, high - at.volts)))
    at_20c = ohms_at(ohms_per_km, sheet.at_c, 20, sheet.per_c.value)
    terms = (
        Term(
            f"two conductors, {pole.feeder.length_m:g} m",
            2 * at_20c * pole.feeder.length_m / 1000,
            "Ω",
            f"{sheet.source}; at 20 °C",
        ),
        Term(
            f"{pole.feeder.joints} joints", pole.feeder.joints * pole.feeder.milliohms_per_joint / 1000, "Ω", "the plan"
        ),
    )
    return FeederBudget(supply, volts, _loop(pole.feeder, sheets, 20), terms, tuple(rows), low, high)
