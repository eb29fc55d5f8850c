"""Which readings have limits, where the limits come from, and when a value counts as close to one."""

from collections.abc import Iterator
from dataclasses import dataclass

from monitor.budgets.expected import PoleBudget, SiteBudget
from monitor.budgets.feeders import FeederBudget
from monitor.budgets.optical import Direction
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.facts.words import say
from monitor.plan.parts import MainsSupply, Plan, Pole, SolarSupply

LIGHT_CLOSE_DB = 3.0
"""Absolute accuracy of the levels that an optic reports is ±3 dB: SFF-8472 rev 12.4, section 8.2."""
LIGHT_DEADBAND_DB = 0.5
VOLTS_CLOSE = 1.5
VOLTS_DEADBAND = 0.3
WATTS_CLOSE_SHARE = 0.1
AMPERES_CLOSE_SHARE = 0.2
SUPPLY_SHARE = 0.05
"""The deadbands and shares above: common practice, no source; each is a default to be tested."""
STREAM_THIN_SHARE, STREAM_FAT_SHARE = 0.2, 2.0
"""Below a fifth of its configured rate a picture is frozen or dark; common practice, no source: to be tested."""
LOST_PERCENT = 2.0
CLOCK_SECONDS = 30.0
"""Loss that shows in a picture, and an offset that spoils recordings: common practice, no source."""
EXTRA_LOW_VOLTAGE = 60.0
"""Volts DC: limit of ES1 in IEC 62368-1 table 4 and of SELV before it. A supply must stay below it."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Where a quantity must stay, in the quantity's own unit, with the source of each side.

    ``close`` is the distance from a limit under which a value counts as close to it; ``deadband`` is how far
    it must come back before it counts as better. ``expected`` is what the plan says should be seen.
    """

    slot: Slot
    low: float | None
    high: float | None
    close: float
    deadband: float
    expected: tuple[float, float] | None
    source: str


def limits_of(plan: Plan, budget: SiteBudget) -> dict[Slot, Limit]:
    """Every limit that follows from a plan and its budgets."""
    found = [*_supplies(plan), *_batteries(plan)]
    for pole in plan.poles:
        found += [*_light(pole, plan, budget.poles[pole.name]), *_power(pole, budget.poles[pole.name])]
        found += [*_amperes(pole, plan, budget), *_cameras(pole)]
    return {limit.slot: limit for limit in found}


def _light(pole: Pole, plan: Plan, budget: PoleBudget) -> Iterator[Limit]:
    if pole.fibre is None or budget.optical is None:
        return
    near = resources.optic(pole.fibre.start.pole or plan.headend.name, pole.fibre.start.port)
    far = resources.optic(pole.name, pole.fibre.end.port)
    for resource, way in ((near, budget.optical.inward), (far, budget.optical.outward)):
        yield _rx(resource, way)


def _rx(resource: str, way: Direction) -> Limit:
    penalties = sum(term.value for term in way.penalty_terms)
    low, _, high = way.expected_rx_dbm
    return Limit(
        Slot(resource, "rx_dbm"),
        way.sensitivity_dbm.value + penalties,
        way.overload_dbm.value,
        LIGHT_CLOSE_DB,
        LIGHT_DEADBAND_DB,
        (low, high),
        way.sensitivity_dbm.source,
    )


def _power(pole: Pole, budget: PoleBudget) -> Iterator[Limit]:
    switch = resources.switch(pole.name)
    low, high = pole.switch.minimum_volts, pole.switch.maximum_volts
    expected = _volts_range(budget.feeder) if budget.feeder else None
    yield Limit(Slot(switch, "input_volts"), low, high, VOLTS_CLOSE, VOLTS_DEADBAND, expected, say("the plan: switch"))
    limit = budget.poe.budget_watts.value
    yield Limit(
        Slot(switch, "poe_total_watts"),
        None,
        limit,
        limit * WATTS_CLOSE_SHARE,
        1.0,
        (0.0, budget.poe.total_watts),
        budget.poe.budget_watts.source,
    )
    for port in budget.poe.ports:
        most = port.limit_watts.value
        yield Limit(
            Slot(resources.port(pole.name, port.port), "port_watts"),
            None,
            most,
            most * WATTS_CLOSE_SHARE,
            0.3,
            (0.0, port.port_watts),
            port.limit_watts.source,
        )


def _volts_range(feeder: FeederBudget) -> tuple[float, float] | None:
    volts = [case.at.volts for case in feeder.cases if case.at is not None and case.case.loads != "allocated"]
    return (min(volts), feeder.supply_volts) if volts else None


def _supplies(plan: Plan) -> Iterator[Limit]:
    for supply in plan.supplies:
        if isinstance(supply, MainsSupply):
            low, high = supply.volts * (1 - SUPPLY_SHARE), min(supply.volts * (1 + SUPPLY_SHARE), EXTRA_LOW_VOLTAGE)
            yield Limit(
                Slot(resources.supply(supply.name), "supply_volts"),
                low,
                high,
                0.5,
                0.2,
                (low, high),
                say("the plan ±5 % and IEC 62368-1 (60 V DC)"),
            )


def _amperes(pole: Pole, plan: Plan, budget: SiteBudget) -> Iterator[Limit]:
    feeder = budget.poles[pole.name].feeder
    if pole.name not in plan.headend.feeder_sensors or feeder is None or pole.feeder is None:
        return
    if pole.feeder.protection is None:
        return
    trip = pole.feeder.protection.trip_amperes
    yield Limit(
        Slot(resources.feeder(pole.name), "feeder_amperes"),
        None,
        trip,
        trip * AMPERES_CLOSE_SHARE,
        trip * 0.02,
        None,
        say("the plan: protection"),
    )


def _cameras(pole: Pole) -> Iterator[Limit]:
    for load in pole.loads:
        resource = resources.load(pole.name, load.name)
        if load.stream is not None and "rtsp" in load.reach:
            rate = load.stream.kilobits_per_s
            low, high = STREAM_THIN_SHARE * rate, STREAM_FAT_SHARE * rate
            slot, source = Slot(resource, "stream_kilobits_per_s"), say("the plan: stream")
            yield Limit(slot, low, high, 0.05 * rate, 0.02 * rate, (0.5 * rate, 1.2 * rate), source)
            yield Limit(
                Slot(resource, "stream_lost_percent"), None, LOST_PERCENT, 0.5, 0.2, (0.0, 0.5), say("common practice")
            )
        if "onvif" in load.reach:
            yield Limit(
                Slot(resource, "clock_offset_seconds"),
                -CLOCK_SECONDS,
                CLOCK_SECONDS,
                5.0,
                2.0,
                (-2.0, 2.0),
                say("common practice"),
            )


def _batteries(plan: Plan) -> Iterator[Limit]:
    for supply in plan.supplies:
        if isinstance(supply, SolarSupply) and supply.controller is not None:
            resource, battery = resources.supply(supply.name), supply.battery
            unusable = 100 * (1 - battery.usable)
            yield Limit(
                Slot(resource, "battery_volts"),
                supply.cutoff_volts,
                None,
                0.03 * battery.volts,
                0.01 * battery.volts,
                None,
                say("the plan: cut-off of the controller"),
            )
            yield Limit(
                Slot(resource, "battery_percent"),
                unusable,
                None,
                15.0,
                3.0,
                None,
                say("the plan: usable share of the battery"),
            )
