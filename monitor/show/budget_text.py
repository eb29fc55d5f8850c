"""Budgets as tables: rows for the terminal and for paper alike, so that the two cannot disagree."""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from monitor.budgets.autonomy import MONTHS, AutonomyBudget
from monitor.budgets.bandwidth import LIMIT_SHARE, BandwidthBudget
from monitor.budgets.expected import PoleBudget, SiteBudget
from monitor.budgets.feeders import FeederBudget, FeederCase
from monitor.budgets.optical import Direction
from monitor.budgets.poe import PoeBudget
from monitor.budgets.protection import Finding
from monitor.budgets.terms import Term
from monitor.facts.units import c_to_f, m_to_feet
from monitor.show.terminal import table


@dataclass(frozen=True, slots=True)
class Section:
    """One budget of a pole: a title, tables (the first row of each is its head if ``heads``), closing lines."""

    title: str
    rows: Sequence[Sequence[str]] = ()
    head: Sequence[str] = ()
    lines: Sequence[str] = field(default_factory=tuple)


def sections(pole: PoleBudget, imperial: bool = False) -> Iterator[Section]:
    """All budgets of a pole, lengths and temperatures in the units that the plan wants shown."""
    for one in _sections(pole, imperial):
        rows = [[_lengths(cell, imperial) for cell in row] for row in one.rows]
        yield Section(one.title, rows, one.head, [_lengths(line, imperial) for line in one.lines])


def _sections(pole: PoleBudget, imperial: bool) -> Iterator[Section]:
    if pole.optical is None:
        yield Section("light: no fibre to this pole")
    else:
        yield from (_direction(way) for way in (pole.optical.outward, pole.optical.inward))
    if pole.feeder is None:
        yield Section("volts: no feeder; the pole has a supply of its own")
    else:
        yield from _feeder(pole.feeder, imperial)
    yield _poe(pole.poe, pole.poe_findings)
    yield _bandwidth(pole.bandwidth)
    if pole.autonomy is None:
        yield Section("battery hours: fed from mains, no battery")
    else:
        yield from _autonomy(pole.autonomy)


def _lengths(words: str, imperial: bool) -> str:
    """The same words with lengths in feet, where the plan wants them so.

    >>> _lengths("fibre, 640 m at 1310 nm", True)
    'fibre, 2100 ft at 1310 nm'
    """
    return re.sub(r"([\d.]+) m\b", lambda m: f"{m_to_feet(float(m[1])):.0f} ft", words) if imperial else words


def budget(site: SiteBudget, name: str, imperial: bool = False) -> str:
    """All budgets as text for a terminal."""
    lines = [f"Budgets of {name}", ""]
    for pole in site.poles.values():
        lines.append(f"== {pole.pole}")
        for section in sections(pole, imperial):
            rows = [section.head, *section.rows] if section.head else section.rows
            lines += [section.title, *table(rows), *(f"  {line}" for line in section.lines)]
        lines.append("")
    return "\n".join(lines).rstrip()


def _terms(terms: Sequence[Term], digits: int = 2) -> list[tuple[str, str, str]]:
    return [(term.name, f"{term.value:+.{digits}f} {term.unit}", term.source) for term in terms]


def _said(findings: Sequence[Finding]) -> list[str]:
    return [f"{'MEND' if f.bad else 'note' if f.note else 'fine'}: {f.sentence}" for f in findings]


def _direction(way: Direction) -> Section:
    low, typical, high = way.expected_rx_dbm
    return Section(
        f"light, {way.sends} → {way.receives}, {way.wavelength_nm:g} nm",
        _terms(way.terms()),
        lines=(
            f"expected at {way.receives}: {low:.1f} to {high:.1f} dBm, typically {typical:.1f} dBm; "
            f"span loss (far sends, near receives) {way.loss_db:.2f} dB",
            f"margin {way.margin_db:.2f} dB to sensitivity, {way.overload_margin_db:.2f} dB to overload",
        ),
    )


def _warmth(celsius: float, imperial: bool) -> str:
    return f"{c_to_f(celsius):.0f} °F" if imperial else f"{celsius:g} °C"


def _feeder(feeder: FeederBudget, imperial: bool) -> Iterator[Section]:
    yield Section(
        f"volts, from {feeder.supply} at {feeder.supply_volts:g} V; the switch takes {feeder.minimum_volts:g} to "
        f"{feeder.maximum_volts:g} V",
        _terms(feeder.terms, 3),
    )
    head = (
        "case",
        "conductor",
        "pole draws",
        "volts",
        "amperes",
        "lost",
        "over minimum",
        "under maximum",
        "collapses at",
    )
    limit = "" if math.isinf(feeder.supply_limit_watts) else f" of {feeder.supply_limit_watts:g} W"
    most = max((case.supply_watts or 0.0 for case in feeder.cases), default=0.0)
    yield Section(
        "volts by case",
        [_case(case, imperial) for case in feeder.cases],
        head,
        (
            f"worst: {feeder.worst.case.name}; the supply gives up to {most:.0f} W{limit}",
            f"largest extra load here: {feeder.largest_extra_watts:.1f} W at the pole's input",
            *_said(feeder.findings),
        ),
    )


def _case(case: FeederCase, imperial: bool) -> tuple[str, ...]:
    start = (case.case.name, _warmth(case.case.conductor_c, imperial), f"{case.pole_watts:.1f} W")
    if case.at is None or case.above_minimum_volts is None or case.below_maximum_volts is None:
        return (*start, "collapse", "", "", "", "", f"{case.collapse_watts:.0f} W")
    at = case.at
    return (
        *start,
        f"{at.volts:.2f} V",
        f"{at.amperes:.3f} A",
        f"{at.loss_watts:.2f} W",
        f"{case.above_minimum_volts:+.2f} V",
        f"{case.below_maximum_volts:+.2f} V",
        f"{case.collapse_watts:.0f} W",
    )


def _poe(poe: PoeBudget, findings: Sequence[Finding]) -> Section:
    rows = [
        (
            f"port {p.port}",
            p.load,
            f"class {p.poe_class}",
            f"{p.device_watts:.1f} W at the device",
            f"{p.port_watts:.2f} W at the port",
            f"of {p.limit_watts.value:g} W",
            f"{p.priority} priority",
        )
        for p in poe.ports
    ]
    lines = [
        f"together {poe.total_watts:.1f} W of {poe.budget_watts.value:g} W: margin {poe.margin_watts:.1f} W",
        f"the class limits add up to {poe.allocated_watts:.1f} W"
        + (f"; where the switch sets those aside, denied: {', '.join(poe.denied)}" if poe.denied else ""),
    ]
    if poe.denied_first:
        lines.append(
            f"they start in the order {', '.join(poe.start_order)}; short of power, port {poe.denied_first} goes first"
        )
    return Section("watts, PoE", rows, lines=(*lines, *_said(findings)))


def _bandwidth(band: BandwidthBudget) -> Section:
    vlans = "; ".join(f"{name}: {rate:.1f} Mb/s" for name, rate in band.by_vlan.items())
    lines = [
        f"together {band.megabits_per_s:.1f} of {band.uplink_megabits_per_s:g} Mb/s ({band.share:.1%}); margin "
        f"{band.margin_megabits_per_s:.1f} Mb/s below {LIMIT_SHARE:.0%}",
        f"as a 95th percentile it may be above that for {band.above_minutes_per_day:.0f} minutes a day",
    ]
    lines += [f"by VLAN: {vlans}"] if vlans else []
    lines += [f"the plan says no rate of: {', '.join(band.not_stated)}"] if band.not_stated else []
    return Section("bandwidth of the uplink", _terms(band.terms), lines=lines)


def _autonomy(auto: AutonomyBudget) -> Iterator[Section]:
    yield Section(
        "battery hours",
        [(t.name, f"{t.value:.0f} {t.unit}", t.source) for t in auto.terms],
        lines=(
            f"{auto.days:.1f} days without sun ({auto.days * 24:.0f} h); the plan promises {auto.days_wanted:g}: "
            f"margin {auto.margin_days:+.1f} days",
            *_said(auto.findings),
        ),
    )
    if auto.harvest_wh is None or auto.lowest_charge is None:
        yield Section(f"the year: no harvest can be computed: {auto.harvest_source}")
        return
    months = zip(MONTHS, auto.harvest_wh, auto.use_wh, auto.lowest_charge, strict=True)
    rows = [
        (m, f"{got:.0f} Wh", f"{used:.0f} Wh", f"{got - used:+.0f} Wh", f"{low:.0%}") for m, got, used, low in months
    ]
    worst = MONTHS[(auto.worst_month or 1) - 1]
    yield Section(
        "the year, a mean day of each month",
        rows,
        ("month", "harvest", "use", "left", "lowest charge"),
        (f"worst month: {worst}; sun hours: {auto.harvest_source}",),
    )
