"""All budgets of a plan, pole by pole: what the design says should be measured."""

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.budgets.autonomy import AutonomyBudget, autonomy
from monitor.budgets.bandwidth import BandwidthBudget, bandwidth
from monitor.budgets.feeders import FeederBudget, FeederCase, cases_of, feeder_budgets
from monitor.budgets.loads import BOOST_VOLTS, poe_of, pole_watts
from monitor.budgets.optical import OpticalBudget, link
from monitor.budgets.poe import PoeBudget, port_volts_finding
from monitor.budgets.protection import Finding
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan, Pole, SolarSupply

__all__ = [
    "BOOST_VOLTS",
    "FeederBudget",
    "FeederCase",
    "PoleBudget",
    "SiteBudget",
    "cases_of",
    "pole_watts",
    "site_budget",
]


@dataclass(frozen=True, slots=True)
class PoleBudget:
    """The budgets of one pole; None where there is no such thing (no fibre, no feeder, a mains pole)."""

    pole: str
    optical: OpticalBudget | None
    feeder: FeederBudget | None
    poe: PoeBudget
    poe_findings: tuple[Finding, ...]
    bandwidth: BandwidthBudget
    autonomy: AutonomyBudget | None


@dataclass(frozen=True, slots=True)
class SiteBudget:
    """The budgets of every pole of a plan."""

    poles: Mapping[str, PoleBudget]


def site_budget(plan: Plan, sheets: Sheets, measured_ohms: Mapping[str, float] | None = None) -> SiteBudget:
    """Every budget of a plan that read_plan has accepted.

    ``measured_ohms`` is pole → loop resistance [Ω at 20 °C] of its feeder stretch, where a measured one is to
    take the place of the plan's.
    """
    feeders = feeder_budgets(plan, sheets, measured_ohms)
    return SiteBudget({pole.name: _pole(plan, pole, sheets, feeders.get(pole.name)) for pole in plan.poles})


def _pole(plan: Plan, pole: Pole, sheets: Sheets, feeder: FeederBudget | None) -> PoleBudget:
    volts = _input_volts(plan, pole, feeder)
    poe = poe_of(pole, sheets, "night", volts, plan.site.hottest_c)
    findings = (
        tuple(port_volts_finding(port, volts) for port in poe.ports) if pole.switch.poe_input == "pass-through" else ()
    )
    return PoleBudget(
        pole.name,
        _optical(plan, pole, sheets),
        feeder,
        poe,
        findings,
        bandwidth(plan, pole.name, behind(plan, pole.name)),
        _autonomy(plan, pole, sheets, volts),
    )


def _input_volts(plan: Plan, pole: Pole, feeder: FeederBudget | None) -> float:
    """Lowest planned volts [V] at a pole's input."""
    if feeder is not None:
        volts = [case.at.volts for case in feeder.cases if case.at is not None and case.case.loads != "allocated"]
        return min(volts, default=feeder.minimum_volts)
    supply = plan.supply(pole.supply or "")
    if isinstance(supply, SolarSupply):
        return supply.converter.output_volts if supply.converter else supply.battery.volts
    return supply.volts


def behind(plan: Plan, pole: str) -> list[str]:
    """Poles that are reached through this one, near and far."""
    radios = {load.name: other.name for other in plan.poles for load in other.loads}
    found: list[str] = []
    for other in plan.poles:
        above = (
            other.fibre.start.pole if other.fibre else radios.get(other.reached_by.radio) if other.reached_by else None
        )
        if above == pole:
            found += [other.name, *behind(plan, other.name)]
    return found


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


def _autonomy(plan: Plan, pole: Pole, sheets: Sheets, volts: float) -> AutonomyBudget | None:
    supply = plan.supply(pole.supply) if pole.supply else None
    if not isinstance(supply, SolarSupply):
        return None
    day, night = (pole_watts(pole, sheets, case, plan.site.hottest_c, volts) for case in ("day", "night"))
    return autonomy(supply, sheets.batteries, plan.site.latitude, plan.site.longitude, plan.site.coldest_c, day, night)
