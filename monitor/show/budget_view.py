"""Budgets as one JSON document, and the margins that are negative."""

import math
from collections.abc import Iterator
from typing import Any

from monitor.budgets.autonomy import AutonomyBudget
from monitor.budgets.bandwidth import BandwidthBudget
from monitor.budgets.expected import PoleBudget, SiteBudget
from monitor.budgets.feeders import FeederBudget, FeederCase
from monitor.budgets.optical import Direction, OpticalBudget
from monitor.budgets.poe import PoeBudget
from monitor.budgets.protection import Finding
from monitor.budgets.terms import Term

Json = dict[str, Any]


def as_json(site: SiteBudget, name: str) -> Json:
    """Everything, pole by pole; null with a reason where there is no such thing."""
    return {"site": name, "poles": {pole.pole: _pole(pole) for pole in site.poles.values()}, "negative": negative(site)}


def _terms(terms: tuple[Term, ...]) -> list[Json]:
    return [{"name": t.name, "value": round(t.value, 6), "unit": t.unit, "source": t.source} for t in terms]


def _findings(findings: tuple[Finding, ...]) -> list[Json]:
    return [{"name": f.name, "bad": f.bad, "sentence": f.sentence} for f in findings]


def _round(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, 4)


def _pole(pole: PoleBudget) -> Json:
    found: Json = {
        "optical": _optical(pole.optical) if pole.optical else None,
        "feeder": _feeder(pole.feeder) if pole.feeder else None,
        "poe": {**_poe(pole.poe), "findings": _findings(pole.poe_findings)},
        "bandwidth": _bandwidth(pole.bandwidth),
        "autonomy": _autonomy(pole.autonomy) if pole.autonomy else None,
    }
    reasons = {
        "optical": "no fibre leads to this pole",
        "feeder": "the pole has a supply of its own",
        "autonomy": "the pole is fed from mains and has no battery",
    }
    return found | {f"{name}_reason": reason for name, reason in reasons.items() if found[name] is None}


def _optical(optical: OpticalBudget) -> Json:
    ways = [_direction(way) for way in (optical.outward, optical.inward)]
    return {"margin_db": round(optical.margin_db, 4), "directions": ways}


def _direction(way: Direction) -> Json:
    low, typical, high = way.expected_rx_dbm
    return {
        "from": way.sends,
        "to": way.receives,
        "wavelength_nm": way.wavelength_nm,
        "terms": _terms(way.terms()),
        "loss_db": round(way.loss_db, 4),
        "expected_span_loss_db": round(way.loss_db, 4),
        "expected_rx_dbm": {"low": round(low, 4), "typical": round(typical, 4), "high": round(high, 4)},
        "sensitivity_dbm": way.sensitivity_dbm.value,
        "overload_dbm": way.overload_dbm.value,
        "margin_db": round(way.margin_db, 4),
        "overload_margin_db": round(way.overload_margin_db, 4),
    }


def _feeder(feeder: FeederBudget) -> Json:
    return {
        "supply": feeder.supply,
        "supply_volts": feeder.supply_volts,
        "supply_limit_watts": _round(feeder.supply_limit_watts),
        "terms": _terms(feeder.terms),
        "loop_ohms": round(feeder.loop_ohms_at_20c, 4),
        "cases": {case.case.name: _case(case) for case in feeder.cases},
        "worst": {"case": feeder.worst.case.name, **_case(feeder.worst)},
        "largest_extra_watts": _round(feeder.largest_extra_watts),
        "least_fault_amperes": _round(feeder.least_fault_amperes),
        "findings": _findings(feeder.findings),
    }


def _case(case: FeederCase) -> Json:
    at = case.at
    return {
        "conductor_c": case.case.conductor_c,
        "pole_watts": round(case.pole_watts, 4),
        "volts": _round(at.volts if at else None),
        "amperes": _round(at.amperes if at else None),
        "loss_watts": _round(at.loss_watts if at else None),
        "margin_volts": _round(case.margin_volts),
        "above_minimum_volts": _round(case.above_minimum_volts),
        "below_maximum_volts": _round(case.below_maximum_volts),
        "collapse_watts": _round(case.collapse_watts),
        "supply_watts": _round(case.supply_watts),
        "why": case.why,
    }


def _poe(poe: PoeBudget) -> Json:
    ports = [
        {
            "port": p.port,
            "load": p.load,
            "class": p.poe_class,
            "type": p.type,
            "priority": p.priority,
            "port_volts": round(p.port_volts, 3),
            "cable_ohms": round(p.cable_ohms, 4),
            "device_watts": p.device_watts,
            "lost_watts": round(p.lost_watts, 4),
            "port_watts": round(p.port_watts, 4),
            "limit_watts": p.limit_watts.value,
            "margin_watts": round(p.margin_watts, 4),
        }
        for p in poe.ports
    ]
    return {
        "ports": ports,
        "total_watts": round(poe.total_watts, 4),
        "allocated_watts": poe.allocated_watts,
        "budget_watts": poe.budget_watts.value,
        "margin_watts": round(poe.margin_watts, 4),
        "start_order": list(poe.start_order),
        "denied_if_allocated": list(poe.denied),
        "denied_first": poe.denied_first,
    }


def _bandwidth(band: BandwidthBudget) -> Json:
    return {
        "terms": _terms(band.terms),
        "megabits_per_s": round(band.megabits_per_s, 4),
        "uplink_megabits_per_s": band.uplink_megabits_per_s,
        "share": round(band.share, 5),
        "margin_megabits_per_s": round(band.margin_megabits_per_s, 4),
        "above_limit_minutes_per_day": band.above_minutes_per_day,
        "by_vlan": {name: round(rate, 4) for name, rate in band.by_vlan.items()},
        "not_stated": list(band.not_stated),
    }


def _autonomy(auto: AutonomyBudget) -> Json:
    return {
        "terms": _terms(auto.terms),
        "usable_wh": round(auto.usable_wh, 2),
        "worst_day_wh": round(auto.worst_day_wh, 2),
        "days": round(auto.days, 4),
        "days_wanted": auto.days_wanted,
        "margin_days": round(auto.margin_days, 4),
        "harvest_wh_per_day": [round(wh, 1) for wh in auto.harvest_wh] if auto.harvest_wh else None,
        "harvest_source": auto.harvest_source,
        "use_wh_per_day": [round(wh, 1) for wh in auto.use_wh],
        "lowest_charge": [round(level, 3) for level in auto.lowest_charge] if auto.lowest_charge else None,
        "worst_month": auto.worst_month,
        "findings": _findings(auto.findings),
    }


def negative(site: SiteBudget) -> list[str]:
    """Each margin that is negative and each finding that must be mended, in one line."""
    return [line for pole in site.poles.values() for line in _negative(pole)]


def _negative(pole: PoleBudget) -> Iterator[str]:
    name = pole.pole
    for way in (pole.optical.outward, pole.optical.inward) if pole.optical else ():
        if way.margin_db < 0:
            yield f"{name}: light {way.sends} → {way.receives} lacks {-way.margin_db:.2f} dB"
        if way.overload_margin_db < 0:
            yield f"{name}: light {way.sends} → {way.receives} is {-way.overload_margin_db:.2f} dB too strong"
    for case in pole.feeder.cases if pole.feeder else ():
        if case.above_minimum_volts is None or case.below_maximum_volts is None:
            yield f"{name}: volts collapse in case {case.case.name}: {case.why}"
        elif case.above_minimum_volts < 0:
            yield f"{name}: volts lack {-case.above_minimum_volts:.2f} V in case {case.case.name}"
        elif case.below_maximum_volts < 0:
            yield f"{name}: {-case.below_maximum_volts:.2f} V too much in case {case.case.name}"
    for port in pole.poe.ports:
        if port.margin_watts < 0:
            yield f"{name}: port {port.port} ({port.load}) needs {-port.margin_watts:.2f} W more than its class"
    if pole.poe.margin_watts < 0:
        yield f"{name}: PoE lacks {-pole.poe.margin_watts:.1f} W"
    if pole.bandwidth.margin_megabits_per_s < 0:
        yield f"{name}: the uplink lacks {-pole.bandwidth.margin_megabits_per_s:.1f} Mb/s below 70 %"
    if pole.autonomy and pole.autonomy.margin_days < 0:
        yield f"{name}: the battery lacks {-pole.autonomy.margin_days:.2f} days"
    findings = (
        *(pole.feeder.findings if pole.feeder else ()),
        *pole.poe_findings,
        *(pole.autonomy.findings if pole.autonomy else ()),
    )
    yield from (f"{name}: {finding.name}: {finding.sentence}" for finding in findings if finding.bad)
