"""Would one more load fit? Each budget's answer before and after, by the plan or with measured values in its place."""

from collections.abc import Mapping
from dataclasses import dataclass

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
    if before.poles[pole_name].autonomy:
        answers.append(_battery(before, after, pole_name))
    answers.append(_light(before, pole_name, measured))
    return answers


def _poe(before: SiteBudget, after: SiteBudget, pole: str, load: Load, measured: Measured) -> list[Answer]:
    was, will = before.poles[pole].poe, after.poles[pole].poe
    mine = next(port for port in will.ports if port.load == NEW)
    found = [
        Answer(
            "PoE port",
            None,
            mine.margin_watts,
            "W",
            mine.margin_watts >= 0,
            f"it needs {mine.port_watts:.1f} W there; class {load.poe_class} allows {mine.limit_watts.value:g} W",
        ),
        Answer(
            "PoE switch",
            was.margin_watts,
            will.margin_watts,
            "W",
            will.margin_watts >= 0,
            f"{will.total_watts:.1f} W of {will.budget_watts.value:g} W by the plan",
        ),
    ]
    if will.denied and not was.denied:
        found.append(
            Answer(
                "PoE set aside by class",
                was.budget_watts.value - was.allocated_watts,
                will.budget_watts.value - will.allocated_watts,
                "W",
                False,
                f"a switch that sets aside the class limits would give port {will.denied[0]} no power",
            )
        )
    if measured.poe_total_watts is not None:
        budget = will.budget_watts.value
        left = budget - measured.poe_total_watts
        found.append(
            Answer(
                "PoE switch, measured",
                left,
                left - mine.port_watts,
                "W",
                left >= mine.port_watts,
                f"{measured.poe_total_watts:.1f} W are drawn now",
            )
        )
    return found


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
        worst = min(
            (c for c in will.cases if c.case.loads != "allocated"),
            key=lambda c: -1e9 if c.margin_volts is None else c.margin_volts,
        )
        then = next(c for c in was.cases if c.case == worst.case).margin_volts
        ok = worst.margin_volts is not None and worst.margin_volts >= 0
        why = f"worst in case {worst.case.name}, {source}" if worst.margin_volts is not None else worst.why
        found.append(Answer(f"volts at {other.name}", then, worst.margin_volts, "V", ok, why))
    bad = [
        f
        for f in feeder.findings
        if f.bad and f.name in ("supply too small", "protection too small", "conductor too small")
    ]
    found += [Answer(finding.name, None, None, "", False, finding.sentence) for finding in bad]
    return found


def _uplinks(plan: Plan, before: SiteBudget, after: SiteBudget, pole: str) -> list[Answer]:
    found = []
    for other in plan.poles:
        if other.name == pole or pole in behind(plan, other.name):
            was, will = before.poles[other.name].bandwidth, after.poles[other.name].bandwidth
            found.append(
                Answer(
                    f"uplink of {other.name}",
                    was.margin_megabits_per_s,
                    will.margin_megabits_per_s,
                    "Mb/s",
                    will.margin_megabits_per_s >= 0,
                    f"{will.share:.0%} of {will.uplink_megabits_per_s:g} Mb/s",
                )
            )
    return found


def _battery(before: SiteBudget, after: SiteBudget, pole: str) -> Answer:
    was, will = before.poles[pole].autonomy, after.poles[pole].autonomy
    assert was is not None, "only solar poles come here"
    assert will is not None, "only solar poles come here"
    short = [f.sentence for f in will.findings if f.bad]
    return Answer(
        "battery",
        was.margin_days,
        will.margin_days,
        "days",
        will.margin_days >= 0 and not short,
        "; ".join([f"{will.days:.1f} days without sun", *short]),
    )


def _light(before: SiteBudget, pole: str, measured: Measured) -> Answer:
    optical = before.poles[pole].optical
    if measured.light_margin_db is not None:
        return Answer(
            "light, measured",
            measured.light_margin_db,
            measured.light_margin_db,
            "dB",
            measured.light_margin_db >= 0,
            "a load changes no light",
        )
    margin = optical.margin_db if optical else None
    return Answer("light", margin, margin, "dB", margin is None or margin >= 0, "a load changes no light")
