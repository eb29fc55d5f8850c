"""All signs of a pole that can be read now: from the newest readings, from what was usual, from standing alarms."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from monitor.alarms import evidence
from monitor.alarms.known import Known, Silence
from monitor.alarms.pole_signs import FRESH_S, LATELY_S, VISIT_S, Found, PoleSigns
from monitor.budgets.autonomy import dusk_in_s
from monitor.facts import resources
from monitor.facts.readings import Slot
from monitor.margins.judge import Standing
from monitor.plan.parts import Load, SolarSupply

__all__ = ["Gathered", "Known", "Silence", "at_load", "at_pole", "gather"]

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


def gather(known: Known, place: str, now_s: float, load: str | None = None) -> Gathered:
    """The signs at a pole, ``supply/…`` or the head-end; of a pole that answers, those of ``load`` or of the load
    that is in most trouble. A silence that has just ended is still looked into, now with what the return tells."""
    headend = known.topology.headend
    if place == headend or place.startswith("supply/") or place in known.explained.roots or _silent(known, place):
        return _of_silence(known, place, now_s)
    past = known.silences.get(place)
    if past is not None and now_s - past.at_s < LATELY_S:
        return _of_return(known, place, now_s, past)
    own = PoleSigns(known, known.plan.pole(place), now_s)
    signs = at_pole(known, place, now_s) | own.whole()
    at = next((one for one in own.pole.loads if one.name == load), None) or own.worst()
    signs |= own.load(at) if at is not None else own.all_loads()
    return Gathered(signs, own.contexts() | _weather(known, place, now_s), own.lines(at) if at is not None else ())


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
    if past is not None and now_s - past.at_s < LATELY_S:
        signs = {**past.signs, **{n: so for n, so in signs.items() if so is not None and not _sticks(past, n)}}
    return Gathered(signs, contexts | _weather(known, place, now_s), evidence.spoken(found))


def _sticks(past: Silence, name: str) -> bool:
    """What the silence began with stays: a link that comes up while the switch still starts is no news of its cause."""
    return name in ("link_down", "current_gone", "current_high", "gasped") and past.signs.get(name) is True


def _of_return(known: Known, place: str, now_s: float, past: Silence) -> Gathered:
    own = PoleSigns(known, known.plan.pole(place), now_s)
    signs = {**past.signs, "restarted": own.restarted(), **own.flaps()}
    return Gathered(signs, own.contexts() | _weather(known, place, now_s), ())


def at_pole(known: Known, place: str, now_s: float) -> Found:
    """Signs of a pole that answers, its loads apart."""
    own = PoleSigns(known, known.plan.pole(place), now_s)
    return own.light() | _slow_signs(known, place) | _battery(known, place, now_s) | own.network()


def at_load(known: Known, place: str, load: Load, now_s: float) -> Found:
    """Signs of one load of a pole that answers."""
    return PoleSigns(known, known.plan.pole(place), now_s).load(load)


def _silent(known: Known, place: str) -> bool:
    watch = known.watches.get(place)
    return watch is not None and watch.silent


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
}


_WHENCE: dict[str, Found] = {
    "transmitter": {"tx_fell": True},
    "connector": {"light_unequal": False, "tx_fell": False},
    "bend": {"light_unequal": True, "tx_fell": False},
}


def _slow_signs(known: Known, place: str) -> Found:
    """What the nightly judgement has found of this pole's own series."""
    found: Found = {}
    for slot, verdict in known.verdicts.items():
        if verdict.pole == place and verdict.whence in _WHENCE:
            found |= _WHENCE[verdict.whence]
        if slot.quantity not in _SLOW or resources.place_of(slot.resource) != place or verdict.drift is None:
            continue
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
