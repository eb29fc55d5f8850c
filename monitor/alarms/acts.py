"""May a PoE port be switched off and on? Allowed, or the reason why not. Nothing is switched here.

Whoever switches a port off from a chair may leave a pole dark, burn a wet cable, or feed one that somebody holds in his
hands: every guard is here, in one place, and all of them are asked again before each switching.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.alarms.book import Alarm, Book
from monitor.alarms.shelves import Shelf
from monitor.alarms.signs import named
from monitor.alarms.topology import Topology
from monitor.facts import resources
from monitor.plan.parts import Load, Plan

MOST_A_DAY: Final = 2
WAIT_S: Final = 90.0
DAY_S: Final = 86_400.0
"""Twice a day, and 90 s for the device to start in between: common practice, no source."""
_BURNS: Final = ("poe-port-fault", "amperes-high")
_CUT_BY: Final = named("shorts", "overloads", "port_fault")


@dataclass(frozen=True, slots=True)
class Attempt:
    """One switching of a port: when, by whom, why; ``automatic`` where nobody asked for it."""

    at_s: float
    port: str
    who: str
    why: str
    automatic: bool = False


def may_cycle(
    plan: Plan,
    topology: Topology,
    pole: str,
    port: str,
    now_s: float,
    attempts: Sequence[Attempt],
    book: Book,
    answers: bool,
    with_more_behind: Collection[str] = (),
    shelves: Sequence[Shelf] = (),
) -> str:
    """Empty where it may be switched now, else why not. ``with_more_behind`` are ports behind which a switch, a radio
    or more than one device was seen (LLDP, address table). ``shelves`` are those of people, not the plan's seasons."""
    if plan.acting.cycle != "allowed":
        return "the plan does not allow any port to be switched (acting: {cycle: allowed})"
    if pole not in topology.above:
        return f"{pole!r} is no pole of this plan"
    load = _load(plan, pole, port)
    if load is None:
        return f"port {port} of {pole} feeds no load of the plan"
    if not load.may_cycle:
        return f"the plan does not allow {load.name}'s port to be switched (may_cycle: true)"
    resource = resources.port(pole, port)
    if load.kind == "radio-link" or resource in topology.uplink.values() or port in with_more_behind:
        return f"behind port {port} lies more than one device: another pole, a switch or a radio would go dark"
    if not answers:
        return f"{pole} does not answer: what lies behind it is unknown"
    shelf = next((one for one in shelves if one.lasts(now_s) and resources.place_of(one.resource) == pole), None)
    if shelf is not None:
        return f"work is planned at {pole} ({shelf.who}: {shelf.note}): somebody may be touching it"
    return _by_alarms(book, pole, port, load) or _by_time(attempts, resource, now_s)


def _load(plan: Plan, pole: str, port: str) -> Load | None:
    return next((load for load in plan.pole(pole).loads if load.port == port), None)


def _by_alarms(book: Book, pole: str, port: str, load: Load) -> str:
    at_port = (resources.port(pole, port), resources.load(pole, load.name))
    for key, alarm in book.alarms.items():
        if alarm.cleared or key.resource not in at_port:
            continue
        if key.type in _BURNS or alarm.signs & _CUT_BY:
            return f"port {port} reports a short, an overload or water: power on it could burn; go and look"
        if _wet(alarm):
            return f"port {port} may stand in water: power on it could burn; go and look"
    return ""


def _wet(alarm: Alarm) -> bool:
    return alarm.cause is not None and alarm.cause.name in ("wet-gland", "port-short", "lightning")


def _by_time(attempts: Sequence[Attempt], resource: str, now_s: float) -> str:
    mine = sorted(one.at_s for one in attempts if one.port == resource and now_s - one.at_s < DAY_S)
    if mine and now_s - mine[-1] < WAIT_S:
        return f"it was switched {now_s - mine[-1]:.0f} s ago; wait {WAIT_S:.0f} s for the device to start"
    if len(mine) >= MOST_A_DAY:
        return f"it was switched {len(mine)} times within a day, which is the most: more would hide what is wrong"
    return ""


def to_revive(book: Book, plan: Plan, now_s: float, after_s: float, least_percent: float) -> list[tuple[str, str]]:
    """(pole, port) of cameras that most probably hang, for at least ``after_s``, where the plan wants them revived."""
    if plan.acting.revive_hung_camera != "on":
        return []
    found = []
    for key, alarm in book.alarms.items():
        if alarm.cleared or alarm.root or alarm.cause is None or key.type not in _HUNG:
            continue
        if alarm.cause.name != "camera-hung" or alarm.cause.percent < least_percent or now_s - alarm.raised_s < after_s:
            continue
        pole, name = resources.place_of(key.resource), resources.tail_of(key.resource)
        load = next((one for one in plan.pole(pole).loads if one.name == name), None)
        if load is not None and load.kind == "camera":
            found.append((pole, load.port))
    return found


_HUNG: Final = ("load-silent", "stream-broken", "stream-thin", "load-quiet", "service-refused")
"""Place → ports behind which more than one device was seen."""
