"""All signs of a pole that can be read now: from the newest readings, from what was usual, from standing alarms."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from monitor.alarms import evidence
from monitor.alarms.known import Known, Silence, Subject
from monitor.alarms.pole_signs import FRESH_S, LATELY_S, VISIT_S, Found, PoleSigns
from monitor.budgets.autonomy import dusk_in_s
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.margins.judge import Standing
from monitor.plan.parts import Load, SolarSupply

__all__ = ["Gathered", "Known", "Silence", "Subject", "at_load", "at_pole", "gather", "of_return"]

LOW_PERCENT, SAGGED_PERCENT, FULL_PERCENT = 25.0, 45.0, 94.0
NO_SUN_SHARE, HIGH_SUN_S = 0.01, 2.5 * 3600
"""Even thick cloud lets some hundredths of the sun through to a panel (common practice, no source)."""
COLD_C, HOT_AIR_C = 5.0, 30.0
BOARD_RISE_C = 10.0
"""How much warmer a switch's board is than the air (common practice, no source)."""
DUSK_S = 5400.0


@dataclass(frozen=True, slots=True)
class Gathered:
    """Signs, contexts, and lines with figures that stand before the signs' own words."""

    signs: Mapping[str, bool | None]
    contexts: Mapping[str, bool | None]
    lines: tuple[str, ...]


def gather(known: Known, subject: Subject, now_s: float) -> Gathered:
    """The signs of a subject as it stands now. Without a scope they are those of a silence where its place is silent,
    else of the place with the load that is in most trouble."""
    place = subject.place
    if subject.of_silence or (not subject.shown_by and _dark(known, place)):
        return _of_silence(known, place, now_s)
    if place not in known.topology.above:
        return Gathered({}, {}, ())  # only poles have signs of their own while they answer
    own = PoleSigns(known, known.plan.pole(place), now_s)
    signs = at_pole(known, place, now_s) | own.whole()
    named = next((one for one in own.pole.loads if one.name == subject.load), None)
    at = named or own.worst()
    signs |= own.load(at) if at is not None else own.all_loads()
    if subject.shown_by:
        signs |= _of_verdicts(known, subject)
    lines = own.lines(at) if at is not None and (named is not None or not subject.shown_by) else ()
    return Gathered(signs, own.contexts() | _weather(known, place, now_s), lines)


def _of_silence(known: Known, place: str, now_s: float) -> Gathered:
    found = evidence.evidence_for(place, known.topology, known.latest, known.before, known.budget, now_s, known.gasps)
    signs, contexts = evidence.signs_of(found)
    if found.scope == "pole":
        signs |= (
            _slow_signs(known, place)
            | _battery(known, place, now_s)
            | PoleSigns(known, known.plan.pole(place), now_s).flaps()
        )
    past = known.silences.get(place)
    if past is not None:
        signs = {**past.signs, **{n: so for n, so in signs.items() if so is not None and not _sticks(past, n)}}
    return Gathered(signs, contexts | _weather(known, place, now_s), evidence.spoken(found))


def _sticks(past: Silence, name: str) -> bool:
    """What the silence began with stays: a link that comes up while the switch still starts is no news of its cause."""
    return name in ("link_down", "current_gone", "current_high", "gasped") and past.signs.get(name) is True


def of_return(known: Known, place: str, now_s: float) -> Gathered | None:
    """The signs of a silence that has just ended, with what only the return tells; None where none was gathered."""
    past = known.silences.get(place)
    if past is None or place not in known.topology.above:
        return None
    own = PoleSigns(known, known.plan.pole(place), now_s)
    signs = {**past.signs, "restarted": own.restarted(), **own.flaps()}
    return Gathered(signs, own.contexts() | _weather(known, place, now_s), past.lines)


def at_pole(known: Known, place: str, now_s: float) -> Found:
    """Signs of a pole that answers, its loads apart."""
    own = PoleSigns(known, known.plan.pole(place), now_s)
    return own.light() | _slow_signs(known, place) | _battery(known, place, now_s) | own.network()


def at_load(known: Known, place: str, load: Load, now_s: float) -> Found:
    """Signs of one load of a pole that answers."""
    return PoleSigns(known, known.plan.pole(place), now_s).load(load)


def _dark(known: Known, place: str) -> bool:
    watch = known.watches.get(place)
    return place in known.explained.roots or (watch is not None and watch.silent)


def _weather(known: Known, place: str, now_s: float) -> Found:
    """Contexts that the site itself tells: dusk by its place on earth, cold and heat by its boards, visits by notes."""
    site = known.plan.site
    boards = [
        value - BOARD_RISE_C
        for pole in known.topology.above
        if (value := known.latest.value(Slot(resources.switch(pole), "board_c"), now_s - 4 * LATELY_S)) is not None
    ]
    air_c = sorted(boards)[len(boards) // 2] if boards else None
    return {
        "dusk": dusk_in_s(site.latitude, site.longitude, now_s) < DUSK_S,
        "cold": None if air_c is None else air_c < COLD_C,
        "hot": None if air_c is None else air_c > HOT_AIR_C,
        "visit": now_s - known.visits.get(place, -math.inf) < VISIT_S or None,
    }


_SLOW = {
    "loop_ohms": ("loop_rose",),
    "bias_milliamperes": ("bias_rose",),
    "tx_dbm": ("tx_fell",),
    "held_watt_hours": ("holds_less",),
}
_SLOW_OR_SUDDEN = {**_SLOW, "rx_dbm": ("light_near_fell", "light_far_fell")}
"""Quantity → the signs that its drift is."""

_WHENCE: dict[str, Found] = {
    "transmitter": {"tx_fell": True},
    "connector": {"light_unequal": False, "tx_fell": False},
    "bend": {"light_unequal": True, "tx_fell": False},
}


def _of_verdicts(known: Known, subject: Subject) -> Found:
    """What verdicts say of a subject with a scope: where it is a drift its own alone, else those of its own signs."""
    mine = [
        verdict
        for slot, verdict in known.verdicts.items()
        if verdict.drift is not None
        and (slot == subject.series if subject.series else verdict.pole == subject.place)
        and not set(_SLOW_OR_SUDDEN.get(slot.quantity, ())).isdisjoint(subject.shown_by)
    ]
    kinds = {verdict.drift.kind for verdict in mine if verdict.drift is not None}
    found: Found = {"gradual": "ramp" in kinds if kinds else None}
    for verdict in mine:
        found |= _WHENCE.get(verdict.whence, {})
    return found


def _slow_signs(known: Known, place: str) -> Found:
    """What the nightly judgement has found of this pole's own series."""
    found: Found = {}
    for slot, verdict in known.verdicts.items():
        if verdict.pole != place or verdict.drift is None:
            continue
        found |= _WHENCE.get(verdict.whence, {})
        if slot.quantity in _SLOW:
            found |= dict.fromkeys(_SLOW[slot.quantity], True)
            if verdict.drift.kind == "ramp":
                found["gradual"] = True
    return found


def _battery(known: Known, place: str, now_s: float) -> Found:
    pole = known.plan.pole(place)
    supply = next((one for one in known.plan.supplies if one.name == pole.supply), None)
    if pole.feeder is not None or not isinstance(supply, SolarSupply):
        return {}
    at, latest = resources.supply(supply.name), known.latest
    seen, margin = latest.last_seen(Slot(at, "battery_percent")), known.margins.get(Slot(at, "battery_volts"))
    percent = seen[0] if seen else None
    found: Found = {}
    if percent is not None:
        found["battery_was_low"] = percent < LOW_PERCENT
    elif margin is not None and margin.value is not None:
        found["battery_was_low"] = margin.standing is not Standing.INSIDE
    peaks = known.norms.peaks(Slot(at, "battery_percent"), now_s, 3)
    if peaks is not None and (peaks[1] >= 3 or peaks[0] >= FULL_PERCENT):
        found["never_full"] = peaks[0] < FULL_PERCENT
    if peaks is not None and percent is not None and peaks[0] >= FULL_PERCENT:
        found["sags_at_night"] = True if percent < LOW_PERCENT else False if percent > SAGGED_PERCENT else None
    panel = latest.value(Slot(at, "panel_watts"), now_s - FRESH_S)
    if panel is not None and percent is not None and percent < FULL_PERCENT and _high_sun(known, now_s):
        found["no_charge_in_sun"] = panel < NO_SUN_SHARE * supply.panel_watts
    return found


def _high_sun(known: Known, now_s: float) -> bool:
    """Is it within two hours and a half of the middle of the day?"""
    site, day_s = known.plan.site, 86_400.0
    local_s = (now_s + site.longitude / 360 * day_s) % day_s
    return abs(local_s - day_s / 2) < HIGH_SUN_S
