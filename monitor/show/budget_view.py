"""Budgets as one JSON document, and the margins that are negative."""

from collections.abc import Iterator
from typing import Any

from monitor.budgets.expected import FeederBudget, FeederCase, PoleBudget, SiteBudget
from monitor.budgets.optical import Direction, OpticalBudget
from monitor.budgets.poe import PoeBudget
from monitor.budgets.terms import Term

Json = dict[str, Any]


def as_json(site: SiteBudget, name: str) -> Json:
    """Everything, pole by pole; null with a reason where there is no such thing."""
    return {"site": name, "poles": {pole.pole: _pole(pole) for pole in site.poles.values()}}


def _terms(terms: tuple[Term, ...]) -> list[Json]:
    return [{"name": t.name, "value": round(t.value, 6), "unit": t.unit, "source": t.source} for t in terms]


def _pole(pole: PoleBudget) -> Json:
    return {
        "optical": _optical(pole.optical) if pole.optical else None,
        "feeder": _feeder(pole.feeder) if pole.feeder else None,
        "poe": _poe(pole.poe),
    }


def _optical(optical: OpticalBudget) -> Json:
    return {
        "margin_db": round(optical.margin_db, 4),
        "directions": [_direction(way) for way in (optical.outward, optical.inward)],
    }


def _direction(way: Direction) -> Json:
    low, typical, high = way.expected_rx_dbm
    return {
        "from": way.sends,
        "to": way.receives,
        "wavelength_nm": way.wavelength_nm,
        "terms": _terms(way.terms()),
        "loss_db": round(way.loss_db, 4),
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
        "terms": _terms(feeder.terms),
        "loop_ohms": round(feeder.loop_ohms_at_20c, 4),
        "cases": {case.case.name: _case(case) for case in feeder.cases},
        "worst": {"case": feeder.worst.case.name, **_case(feeder.worst)},
    }


def _case(case: FeederCase) -> Json:
    if case.at is None:
        return {
            "volts": None,
            "amperes": None,
            "loss_watts": None,
            "margin_volts": None,
            "why": case.why,
            "pole_watts": round(case.pole_watts, 3),
            "conductor_c": case.case.conductor_c,
        }
    return {
        "volts": round(case.at.volts, 4),
        "amperes": round(case.at.amperes, 4),
        "loss_watts": round(case.at.loss_watts, 4),
        "margin_volts": round(case.margin_volts or 0.0, 4),
        "pole_watts": round(case.pole_watts, 3),
        "conductor_c": case.case.conductor_c,
    }


def _poe(poe: PoeBudget) -> Json:
    ports = [
        {
            "port": p.port,
            "load": p.load,
            "class": p.poe_class,
            "device_watts": p.device_watts,
            "port_watts": round(p.port_watts, 3),
            "limit_watts": p.limit_watts.value,
            "margin_watts": round(p.margin_watts, 3),
        }
        for p in poe.ports
    ]
    return {
        "ports": ports,
        "total_watts": round(poe.total_watts, 3),
        "allocated_watts": poe.allocated_watts,
        "budget_watts": poe.budget_watts.value,
        "margin_watts": round(poe.margin_watts, 3),
    }


def negative(site: SiteBudget) -> list[str]:
    """Each margin that is negative, in one line."""
    return [line for pole in site.poles.values() for line in _negative(pole)]


def _negative(pole: PoleBudget) -> Iterator[str]:
    if pole.optical:
        for way in (pole.optical.outward, pole.optical.inward):
            if way.margin_db < 0:
                yield f"{pole.pole}: light {way.sends} → {way.receives} lacks {-way.margin_db:.2f} dB"
            if way.overload_margin_db < 0:
                yield f"{pole.pole}: light {way.sends} → {way.receives} is {-way.overload_margin_db:.2f} dB too strong"
    if pole.feeder:
        for case in pole.feeder.cases:
            if case.margin_volts is None:
                yield f"{pole.pole}: volts collapse in case {case.case.name}: {case.why}"
            elif case.margin_volts < 0:
                yield f"{pole.pole}: volts lack {-case.margin_volts:.2f} V in case {case.case.name}"
    for port in pole.poe.ports:
        if port.margin_watts < 0:
            yield f"{pole.pole}: port {port.port} ({port.load}) needs {-port.margin_watts:.2f} W more than its class"
    if pole.poe.margin_watts < 0:
        yield f"{pole.pole}: PoE lacks {-pole.poe.margin_watts:.1f} W"
