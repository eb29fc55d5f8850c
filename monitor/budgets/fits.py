"""Would one more load fit? Each budget's answer before and after, by the plan or with measured values in its place."""

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.budgets.autonomy import AutonomyBudget
from monitor.budgets.expected import SiteBudget, behind, site_budget
from monitor.plan.datasheets import LoadSheet, Sheets
from monitor.plan.parts import Load, Plan, Pole

NEW = "the-new-load"


@dataclass(frozen=True, slots=True)
class Answer:
    """One budget's answer: its margin before and after, and why it fits or not."""

    budget: str
    before: float | None
    after: float | None
    unit: str
    fits: bool
    why: str


@dataclass(frozen=True, slots=True)
class Measured:
    """Live values that take the place of the plan's, where they are known."""

    ohms_at_20c: Mapping[str, float]
    """Pole → loop resistance of its feeder stretch [Ω]."""
    poe_total_watts: float | None = None
    light_margin_db: float | None = None


def load_of(sheet: LoadSheet, port: str, cable_m: float) -> Load:
    """A load of this kind on a port, as a plan would have it."""
    return Load(
        name=NEW,
        kind=sheet.kind,
        port=port,
        poe_class=sheet.poe_class,
        watts=sheet.watts,
        night_watts=sheet.night_watts,
        heater_watts=sheet.heater_watts,
        cable_m=cable_m,
        megabits_per_s=sheet.megabits_per_s,
    )


def free_port(pole: Pole, sheets: Sheets) -> str | None:
    """A PoE port of the pole's switch that the plan does not use; where the datasheet lists none, the next number."""
    used = {load.port for load in pole.loads} | ({pole.fibre.end.port} if pole.fibre else set())
    ports = sheets.devices[pole.switch.datasheet].poe_ports or [str(n) for n in range(1, 25)]
    return next((port for port in ports if port not in used), None)


def fits(
    plan: Plan, sheets: Sheets, pole_name: str, sheet: LoadSheet, cable_m: float, measured: Measured
) -> list[Answer]:
    """The answers of all budgets that one more load at a pole touches. KeyError for an unknown pole."""
    pole = plan.pole(pole_name)
    port = free_port(pole, sheets)
    if port is None:
        used = ", ".join(f"{load.port} {load.name}" for load in pole.loads)
        return [Answer("port", None, None, "", False, f"no PoE port is free at {pole_name} ({used})")]
    load = load_of(sheet, port, cable_m)
    grown = pole.model_copy(update={"loads": [*pole.loads, load]})
    after_plan = plan.model_copy(update={"poles": [grown if p.name == pole_name else p for p in plan.poles]})
    before = site_budget(plan, sheets, measured.ohms_at_20c)
    after = site_budget(after_plan, sheets, measured.ohms_at_20c)
    answers = [
        Answer("port", None, None, "", True, f"port {port} is free"),
        *_poe(before, after, pole_name, load, measured),
    ]
    answers += _feeder(plan, before, after, pole_name, measured)
    answers += _uplinks(plan, before, after, pole_name)
    was, will = before.poles[pole_name].autonomy, after.poles[pole_name].autonomy
    if was is not None and will is not None:
        answers.append(_battery(was, will))
    answers.append(_light(before, pole_name, measured))
    return answers


def answer(budget: str, before: float | None, after: float | None, unit: str, why: str, also: bool = True) -> Answer:
    """An answer by its margin afterwards: what is left may be nothing, but not less."""
    return Answer(budget, before, after, unit, also and (after is None or after >= 0), why)


def _poe(before: SiteBudget, after: SiteBudget, pole: str, load: Load, measured: Measured) -> list[Answer]:
    was, will = before.poles[pole].poe, after.poles[pole].poe
    mine = next(port for port in will.ports if port.load == NEW)
    needs = f"it needs {mine.port_watts:.1f} W there; class {load.poe_class} allows {mine.limit_watts.value:g} W"
    whole = f"{will.total_watts:.1f} W of {will.budget_watts.value:g} W by the plan"
    found = [
        answer("PoE port", None, mine.margin_watts, "W", needs),
        answer("PoE switch", was.margin_watts, will.margin_watts, "W", whole),
    ]
    if will.denied and not was.denied:
        left = [poe.budget_watts.value - poe.allocated_watts for poe in (was, will)]
        why = f"a switch that sets aside the class limits would give port {will.denied[0]} no power"
        found.append(answer("PoE set aside by class", left[0], left[1], "W", why))
    if measured.poe_total_watts is not None:
        now = will.budget_watts.value - measured.poe_total_watts
        why = f"{measured.poe_total_watts:.1f} W are drawn now"
        found.append(answer("PoE switch, measured", now, now - mine.port_watts, "W", why))
    return found


_OF_THE_FEED = ("supply too small", "protection too small", "conductor too small")


def _feeder(plan: Plan, before: SiteBudget, after: SiteBudget, pole: str, measured: Measured) -> list[Answer]:
    feeder = after.poles[pole].feeder
    if feeder is None:
        return []
    found = []
    source = "with the measured resistance, taken as of 20 °C" if measured.ohms_at_20c else "by the plan"
    for other in plan.poles:
        was, will = before.poles[other.name].feeder, after.poles[other.name].feeder
        if was is None or will is None or will.supply != feeder.supply:
            continue
        planned = [case for case in will.cases if case.case.loads != "allocated"]
        fallen = next((case for case in planned if case.margin_volts is None), None)
        if fallen is not None:
            found.append(answer(f"volts at {other.name}", None, None, "V", fallen.why, also=False))
            continue
        worst = min(planned, key=lambda case: case.margin_volts or 0.0)
        then = next(case for case in was.cases if case.case == worst.case).margin_volts
        why = f"worst in case {worst.case.name}, {source}"
        found.append(answer(f"volts at {other.name}", then, worst.margin_volts, "V", why))
    bad = [finding for finding in feeder.findings if finding.bad and finding.name in _OF_THE_FEED]
    return found + [answer(finding.name, None, None, "", finding.sentence, also=False) for finding in bad]


def _uplinks(plan: Plan, before: SiteBudget, after: SiteBudget, pole: str) -> list[Answer]:
    found = []
    for other in plan.poles:
        if other.name == pole or pole in behind(plan, other.name):
            was, will = before.poles[other.name].bandwidth, after.poles[other.name].bandwidth
            why = f"{will.share:.0%} of {will.uplink_megabits_per_s:g} Mb/s"
            margins = (was.margin_megabits_per_s, will.margin_megabits_per_s)
            found.append(answer(f"uplink of {other.name}", *margins, "Mb/s", why))
    return found


def _battery(was: AutonomyBudget, will: AutonomyBudget) -> Answer:
    short = [finding.sentence for finding in will.findings if finding.bad]
    why = "; ".join([f"{will.days:.1f} days without sun", *short])
    return answer("battery", was.margin_days, will.margin_days, "days", why, also=not short)


def _light(before: SiteBudget, pole: str, measured: Measured) -> Answer:
    why = "a load changes no light"
    if measured.light_margin_db is not None:
        return answer("light, measured", measured.light_margin_db, measured.light_margin_db, "dB", why)
    optical = before.poles[pole].optical
    margin = optical.margin_db if optical else None
    return answer("light", margin, margin, "dB", why)
