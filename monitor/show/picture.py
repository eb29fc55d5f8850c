"""The picture: how the site stands now. Composed from what the core says; nothing is computed here."""

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Final, Protocol

from monitor.alarms.book import Alarm, Book, Key
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.layers import FRESH_ROUNDS, LAYER_WORDS, Broken, broken, layers_of
from monitor.alarms.messages import DRILL
from monitor.alarms.silence import Explained, Watch
from monitor.facts import resources
from monitor.facts.latest import Latest
from monitor.facts.quantities import QUANTITIES, UNITS
from monitor.facts.readings import Reading, Slot, State
from monitor.facts.states import IfOperStatus, PethPsePortDetectionStatus, TcpState
from monitor.facts.words import say
from monitor.margins.judge import Margin, Standing
from monitor.margins.limits import Limit
from monitor.plan.parts import Load, Plan, Pole
from monitor.show.views import AlarmView, LoadView, MarginView, Picture, PlaceView, finite


class Known(Protocol):
    """What a picture is composed from; attributes or properties."""

    @property
    def plan(self) -> Plan: ...  # noqa: D102  # a plain field
    @property
    def limits(self) -> Mapping[Slot, Limit]: ...  # noqa: D102  # a plain field
    @property
    def latest(self) -> Latest: ...  # noqa: D102  # a plain field
    @property
    def margins(self) -> Mapping[Slot, Margin]: ...  # noqa: D102  # a plain field
    @property
    def watches(self) -> Mapping[str, Watch]: ...  # noqa: D102  # a plain field
    @property
    def explained(self) -> Explained: ...  # noqa: D102  # a plain field
    @property
    def book(self) -> Book: ...  # noqa: D102  # a plain field
    @property
    def notes(self) -> tuple[str, ...]: ...  # noqa: D102  # a plain field
    @property
    def unproven(self) -> tuple[str, ...]: ...  # noqa: D102  # a plain field


def compose(known: Known, now_s: float, version: str) -> Picture:
    """The picture of what is known at ``now_s``."""
    plan = known.plan
    alarms = tuple(alarm_view(alarm) for alarm in in_order(known.book))
    poles = tuple(_place(known, pole.name, pole, now_s) for pole in plan.poles)
    supplies = tuple(margin_view(known, slot) for slot in known.limits if slot.quantity == "supply_volts")
    return Picture(
        plan.site.name,
        plan.site.timezone,
        now_s,
        version,
        _headline(known.book, poles),
        _place(known, plan.headend.name, None, now_s),
        poles,
        supplies,
        alarms,
        (*known.notes, *known.unproven),
        known.latest.heard_s,
    )


_NAMES_PLACE: Final = frozenset(("pole-silent", "supply-lost", "head-end-silent", DRILL))
_NAMES_LOAD: Final = frozenset(("load-silent", "service-refused", "stream-broken", "load-quiet"))
"""Alarm types whose sentences name the resource itself, and the load of it."""


def in_order(book: Book) -> list[Alarm]:
    """All alarms: those that stand in their order, then what is over, the latest first."""
    over = [alarm for alarm in book.alarms.values() if alarm.cleared]
    return [*book.raised(), *sorted(over, key=lambda alarm: -alarm.changed_s)]


def _headline(book: Book, poles: tuple[PlaceView, ...]) -> str:
    """The sentence of the first alarm in the order; how many more there are that stand for themselves."""
    standing = book.raised()
    if standing:
        first = standing[0]
        more = sum(not alarm.root for alarm in standing[1:])
        resource = first.key.resource
        named = first.key.type in _NAMES_LOAD
        place = resources.place_of(resource)
        text = first.text
        if first.key.type not in _NAMES_PLACE:
            text = say("{place}: {what}", place=place if named else resource, what=text)
        return say("{what} (and {count} more)", what=text, count=more) if more else text
    waiting = [pole.name for pole in poles if pole.state == "no value"]
    if waiting:
        return say("Not yet heard: {poles}.", poles=", ".join(waiting))
    return say("All poles answer, and no alarm stands.")


def alarm_view(alarm: Alarm) -> AlarmView:
    """An alarm for people."""
    kind = INVENTORY[alarm.key.type]
    return AlarmView(
        alarm.key.resource,
        alarm.key.type,
        alarm.key.qualifier,
        alarm.severity.value,
        alarm.cleared,
        alarm.operator.value,
        alarm.text,
        kind.meaning,
        kind.probable_cause,
        kind.to_do,
        alarm.root,
        alarm.impacted,
        alarm.raised_s,
        alarm.changed_s,
        alarm.settled,
        finite(asdict(alarm.cause)) if alarm.cause else None,
    )


def _place(known: Known, name: str, pole: Pole | None, now_s: float) -> PlaceView:
    watch = known.watches[name]
    state, reason = _state(known, name, watch)
    slots = [slot for slot in known.limits if resources.place_of(slot.resource) == name]
    gone = state in ("silent", "not seen")
    margins = tuple(margin_view(known, slot, gone and slot.quantity not in _METERED_ELSEWHERE) for slot in slots)
    loads = tuple(_load(known, name, load, state, now_s) for load in pole.loads) if pole else ()
    above = ""
    metres = None
    if pole and pole.fibre:
        above, metres = pole.fibre.start.pole or known.plan.headend.name, pole.fibre.length_m
    elif pole and pole.reached_by:
        above = say("radio {radio}", radio=pole.reached_by.radio)
    return PlaceView(
        name,
        pole.place if pole else "head-end",
        pole.access if pole else "",
        above,
        metres,
        state,
        reason,
        watch.answered_s,
        margins,
        loads,
    )


def _state(known: Known, name: str, watch: Watch) -> tuple[str, str]:
    """Displayed state of a place and the reason beside it: the words of the vocabulary and no others."""
    root = known.explained.because.get(name) or _hidden_by(known, name, watch)
    if root and root != name:
        return "not seen", say("{place} is silent", place=root)
    alarm = known.book.alarms.get(Key(name, "pole-silent")) or known.book.alarms.get(Key(name, "head-end-silent"))
    if watch.silent or (watch.doubtful and alarm is not None and not alarm.cleared):
        return "silent", ""
    if watch.answered_s is None:
        return "no value", say("not yet heard")
    if watch.doubtful:
        return "answers", say("the last answer is missing; asking again")
    if watch.agent_misses and not watch.agent_ever:
        return "answers", say("its agent has not answered yet")
    return "answers", ""


def _hidden_by(known: Known, name: str, watch: Watch) -> str:
    """The root behind which a place lies, if it has not answered since that root fell silent."""
    for root, impacted in known.explained.roots.items():
        alarm = known.book.alarms.get(Key(root, "pole-silent"))
        if name in impacted and alarm is not None and (watch.answered_s or 0.0) < alarm.raised_s:
            return root
    return ""


_METERED_ELSEWHERE = {"feeder_amperes"}
"""Quantities of a pole that are read at the head-end, so that a silent pole does not hide them."""


def margin_view(known: Known, slot: Slot, hidden: bool = False) -> MarginView:
    """A margin for people; a ``hidden`` one has no value now, and says what was last seen."""
    limit, margin, reading = known.limits[slot], known.margins.get(slot), known.latest.reading(slot)
    seen = reading is not None and reading.state is State.SEEN
    value, stands, away = None, Standing.NO_VALUE, None
    if seen and margin is not None and not hidden:  # a margin of an earlier look says nothing of now
        value, stands, away = margin.value, margin.standing, margin.margin
    text = written(reading)
    missing = "" if seen else text
    if hidden:
        missing, text = (say("last {text}", text=text) if seen else missing), "not seen"
    return MarginView(
        slot.resource,
        slot.quantity,
        UNITS[QUANTITIES[slot.quantity].unit],
        value,
        text,
        limit.low,
        limit.high,
        limit.expected,
        away,
        stands.value,
        reading.at_s if reading else 0.0,
        missing,
        limit.source,
    )


def written(reading: Reading | None) -> str:
    """A reading as people write it; never a number for what was not seen."""
    if reading is None:
        return "not asked"
    if reading.value is None:
        return reading.state.name.lower()
    unit = UNITS[QUANTITIES[reading.quantity].unit]
    if reading.value == -math.inf:
        return say("no light")
    value, sign = abs(reading.value), "−" if reading.value < 0 else ""
    if unit in ("A", "mA"):
        return say("{sign}{value:.2f} {unit}", sign=sign, value=value, unit=unit)
    return say("{sign}{value:.1f} {unit}" if unit else "{sign}{value:.1f}", sign=sign, value=value, unit=unit)


_POE_WORDS: Final[Mapping[int, str]] = {
    PethPsePortDetectionStatus.DISABLED: "off",
    PethPsePortDetectionStatus.SEARCHING: "no device",
    PethPsePortDetectionStatus.DELIVERING_POWER: "delivering",
    PethPsePortDetectionStatus.FAULT: "fault",
    PethPsePortDetectionStatus.TEST: "test",
    PethPsePortDetectionStatus.OTHER_FAULT: "fault",
}


def _load(known: Known, pole: str, load: Load, pole_state: str, now_s: float) -> LoadView:
    if pole_state in ("silent", "not seen"):
        return LoadView(load.name, load.kind, load.port, load.address or "", {}, say("not seen"))
    latest, port, resource = known.latest, resources.port(pole, load.port), resources.load(pole, load.name)
    layers: dict[str, str] = {}
    watts = latest.reading(Slot(port, "port_watts"))
    poe = latest.reading(Slot(port, "poe_port_state"))
    if watts or poe:
        layers["watts"] = written(watts) if watts else _POE_WORDS.get(int(poe.value or 0), "") if poe else ""
    link = latest.reading(Slot(port, "link_state"))
    if link:
        layers["link"] = link.state.name.lower() if link.value is None else _link(link.value)
    for layer, quantity in (("ping", "ping_seconds"), ("connection", "tcp_state")):
        reading = latest.reading(Slot(resource, quantity))
        if reading:
            layers[layer] = reading.state.name.lower() if reading.value is None else _answer(quantity, reading.value)
    since_s = now_s - FRESH_ROUNDS * known.plan.rounds.measure_s
    found = broken(load.port, layers_of(latest, pole, load, since_s))
    return LoadView(
        load.name,
        load.kind,
        load.port,
        load.address or "",
        layers,
        _stands(found, bool(layers)),
        known.plan.acting.cycle == "allowed" and load.may_cycle,
    )


def _link(value: float) -> str:
    return "up" if value == IfOperStatus.UP else "down"


def _stands(found: Broken | None, asked: bool) -> str:
    if found is not None:
        return say("broken at {layer}", layer=LAYER_WORDS[found.layer])
    return say("answers") if asked else say("not asked")


def _answer(quantity: str, value: float) -> str:
    if quantity == "ping_seconds":
        return say("{ms:.0f} ms", ms=value * 1000)
    return "open" if value == TcpState.OPEN else "refused"
