"""How good is the diagnosis, in a world that is our table plus errors? For every level of instruments.

The world's chances are the table's, each moved by an error of its own (0.5 in log-odds), a tenth of the links missing
and some that the table does not have: what is measured is how robust the inference is to a wrong table, not how right
the table is on a farm. On the simulated site, whose physics knows no table, ``judgement_site`` measures.
"""

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from monitor.alarms import inference
from monitor.alarms.checks import CHECKS, Check
from monitor.alarms.faults import FAULTS, Fault
from monitor.alarms.inference import Belief, Network
from monitor.alarms.signs import SIGNS

LOG_ODDS_SD = 0.5
DROPPED, ADDED = 0.1, 0.01
KNOWN = 0.85
"""Chance that a sign is known at all where its instrument is there."""
BEHIND = [
    "one_port",
    "several_ports",
    "port_dead",
    "port_fault",
    "overloads",
    "shorts",
    "denials",
    "mps_lost",
    "watts_saw_tooth",
    "class_changed",
    "port_link_lost",
    "port_slow",
    "port_errors",
    "late_collisions",
    "ping_lost",
    "stream_lost",
    "few_octets",
    "picture_still",
    "clock_off",
    "address_moved",
    "stranger",
    "discards",
    "uplink_full",
    "broadcast",
    "tree_changes",
    "agent_slow",
    "renumbered",
]
"""What cannot be seen behind a silent pole."""
PING = ["pole_silent", "agent_silent", "siblings_lost", "all_lost", "link_down"]
DOM = [*PING, *(s for s in SIGNS if s.startswith("light_")), "tx_fell", "bias_rose", "optic_hot", "frame_errors"]
GASP = [*DOM, "gasped"]
METER = [*GASP, "current_gone", "current_high", "volts_low", "loop_rose", "supply_wrong", "volts_follow_load"]
CONTACT = [*METER, "breaker_open"]
LEVELS = {
    "ping and link": PING,
    "with DOM": DOM,
    "with dying gasp": GASP,
    "with feeder V and I": METER,
    "with breaker contact": CONTACT,
    "all": list(SIGNS),
}


@dataclass(frozen=True)
class Truth:
    """One case: what is broken, what is seen."""

    faults: tuple[str, ...]
    signs: Mapping[str, bool | None]
    contexts: Mapping[str, bool | None]


class World:
    """The table with errors, drawn from a seed."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(f"cause {seed}")  # physics, not secrets
        self.leaks = {name: self._moved(sign.leak) for name, sign in SIGNS.items()}
        self.faults = {name: self._fault(fault) for name, fault in FAULTS.items()}
        self.checks = {
            check.name: replace(check, yes={n: self._moved(p) for n, p in check.yes.items()}) for check in CHECKS
        }

    def _moved(self, p: float) -> float:
        p = min(max(p, 1e-4), 1 - 1e-4)
        return 1 / (1 + math.exp(-(math.log(p / (1 - p)) + self.chance.gauss(0, LOG_ODDS_SD))))

    def _fault(self, fault: Fault) -> Fault:
        signs = {
            name: self._moved(p)
            for name, p in fault.signs.items()
            if self.chance.random() > DROPPED or name == "pole_silent"
        }
        for name in SIGNS:
            if name not in signs and name != "pole_silent" and self.chance.random() < ADDED:
                signs[name] = self.chance.uniform(0.2, 0.6)
        return replace(fault, signs=signs, per_year=fault.per_year * math.exp(self.chance.gauss(0, 0.3)))

    def draw(self, two: bool, unknown: str = "") -> Truth:
        """A case with one fault or two; of two, such that can be at one pole."""
        solar = self.chance.random() < inference.SOLAR_SHARE
        contexts: dict[str, bool | None] = {"solar": solar, "radio": False}
        contexts |= {name: self.chance.random() < 0.15 for name in ("dusk", "cold", "hot", "wet", "storm", "visit")}
        names = [name for name in self.faults if name != unknown]
        weights = [self._rate(self.faults[name], contexts) for name in names]
        faults = tuple(dict.fromkeys(self.chance.choices(names, weights, k=1)))
        if unknown:
            faults = (unknown,)
        while two and len(faults) < 2:
            faults = tuple(dict.fromkeys((*faults, *self.chance.choices(names, weights, k=1))))
        signs: dict[str, bool | None] = {}
        for name in SIGNS:
            none = 1 - self.leaks[name]
            for fault in faults:
                none *= 1 - self.faults[fault].signs.get(name, 0.0)
            signs[name] = self.chance.random() < 1 - none
        if signs["pole_silent"]:
            signs |= dict.fromkeys(BEHIND)
        return Truth(faults, signs, contexts)

    @staticmethod
    def _rate(fault: Fault, contexts: Mapping[str, bool | None]) -> float:
        if (fault.only == "solar") != bool(contexts["solar"]) and fault.only in ("solar", "fed"):
            return 0.0
        rate = fault.per_year
        for name, factor in fault.context.items():
            rate *= factor if contexts.get(name) else 1.0
        return rate

    def known(self, truth: Truth, level: list[str]) -> dict[str, bool | None]:
        """What the instruments of a level tell of a case."""
        return {
            name: truth.signs[name] for name in level if truth.signs[name] is not None and self.chance.random() < KNOWN
        }

    def answer(self, truth: Truth, check: Check) -> bool:
        """What a person finds."""
        none = 1 - check.leak
        for fault in truth.faults:
            none *= 1 - self.checks[check.name].yes.get(fault, 0.0)
        return self.chance.random() < 1 - none


Ranking = list[tuple[str, float]]


def ours(signs: Mapping[str, bool | None], contexts: Mapping[str, bool | None]) -> Belief:
    """The noisy-or over single faults and pairs."""
    network = inference.usual()
    return inference.believe(network, inference.priors(network, contexts), signs)


_SINGLES: list[Network] = []


def naive(signs: Mapping[str, bool | None], contexts: Mapping[str, bool | None]) -> Ranking:
    """Naive Bayes: single faults only, every sign a witness of its own."""
    if not _SINGLES:
        _SINGLES.append(
            inference.network_of(tuple(FAULTS.values()), {s.name: s.leak for s in SIGNS.values()}, pairs=False)
        )
    network = _SINGLES[0]
    return inference.believe(network, inference.priors(network, contexts), signs, trust=1.0).by_fault


_RULES: list[tuple[str, Callable[[Mapping[str, bool | None]], bool | None]]] = [
    ("head-end-off", lambda s: s.get("all_lost")),
    ("supply-lost", lambda s: s.get("siblings_lost")),
    ("feeder-short", lambda s: s.get("current_high")),
    ("feeder-dead", lambda s: s.get("current_gone")),
    ("switch-hang", lambda s: s.get("pole_silent") and s.get("link_down") is False),
    ("fibre-cut", lambda s: s.get("pole_silent") and s.get("current_gone") is False),
    ("feeder-dead", lambda s: s.get("gasped")),
    ("solar-deficit", lambda s: s.get("battery_was_low")),
    ("fibre-cut", lambda s: s.get("pole_silent")),
    ("unknown-device", lambda s: s.get("stranger")),
    ("poe-denied", lambda s: s.get("denials")),
    ("port-short", lambda s: s.get("port_fault")),
    ("broadcast-storm", lambda s: s.get("broadcast")),
    ("uplink-full", lambda s: s.get("discards")),
    ("fibre-bend", lambda s: s.get("light_unequal")),
    ("laser-ageing", lambda s: s.get("bias_rose")),
    ("dirty-connector", lambda s: s.get("light_near_fell") or s.get("light_far_fell")),
    ("corroded-joint", lambda s: s.get("loop_rose")),
    ("camera-reboots", lambda s: s.get("watts_saw_tooth")),
    ("copper-drop", lambda s: s.get("port_errors") or s.get("port_slow")),
    ("camera-service", lambda s: s.get("clock_off")),
    ("camera-hung", lambda _: True),
]


def rules(signs: Mapping[str, bool | None]) -> Ranking:
    """An ordered list of rules, the first that holds first, as a person would write it down."""
    found = [name for name, when in _RULES if when(signs)]
    return [(name, 1.0) for name in dict.fromkeys(found)]


def calibration(said: list[tuple[float, bool]]) -> float:
    """Expected calibration error over ten equal bins: Naeini et al. (2015), AAAI, equation 1."""
    p, right = np.array([s[0] for s in said]), np.array([s[1] for s in said], np.float64)
    bins = np.minimum((p * 10).astype(int), 9)
    return float(
        sum(
            abs(p[bins == b].mean() - right[bins == b].mean()) * (bins == b).mean()
            for b in range(10)
            if (bins == b).any()
        )
    )


def measure(seed: int, n: int) -> dict[str, Any]:
    """Figures over ``n`` cases, four in five of them with a single fault."""
    tally: dict[str, list[float]] = {}
    said: list[tuple[float, bool]] = []

    def count(name: str, hit: bool) -> None:
        tally.setdefault(name, []).append(float(hit))

    for case in range(n):
        if case % 50 == 0:
            world = World(seed * 100_000 + case)
        truth = world.draw(two=case % 5 == 4)
        signs = world.known(truth, list(SIGNS))
        belief = ours(signs, truth.contexts)
        rows = {"ours": belief.by_fault, "naive": naive(signs, truth.contexts), "rules": rules(signs)}
        for method, ranked in rows.items():
            top = [name for name, _ in ranked[:3]]
            if len(truth.faults) == 1:
                count(f"{method} top1", bool(top) and top[0] == truth.faults[0])
                count(f"{method} top3", truth.faults[0] in top)
            else:
                count(f"{method} both", set(truth.faults) <= set(top))
        first, p = belief.by_fault[0]
        said.append((p, first in truth.faults))
        if len(truth.faults) == 1:
            count("ours false unknown", belief.unknown_fault)
            if p >= 0.8:
                count("ours sure right", first == truth.faults[0])
            count("ours after checks", _checked(world, truth, signs, belief) == truth.faults[0])
        for level, names in LEVELS.items():
            if truth.signs["pole_silent"] and len(truth.faults) == 1:
                at = ours(world.known(truth, names), truth.contexts).by_fault
                count(f"silent, {level}", at[0][0] == truth.faults[0])
        if case % 10 == 0:
            count("unknown flagged", _flagged(world))
    figures = {
        name: {"percent": round(100 * float(np.mean(hits)), 1), "n": len(hits), "interval": wilson(hits)}
        for name, hits in tally.items()
    }
    return {"n": n, "figures": figures, "calibration_error": round(calibration(said), 4)}


def wilson(hits: list[float]) -> list[float]:
    """Wilson's 95 % interval, in percent."""
    n, p, z = len(hits), float(np.mean(hits)), 1.96
    middle, half = p + z * z / (2 * n), z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return [round(100 * (middle - half) / (1 + z * z / n), 1), round(100 * (middle + half) / (1 + z * z / n), 1)]


def _checked(world: World, truth: Truth, signs: Mapping[str, bool | None], belief: Belief) -> str:
    """The first cause after up to three checks, or as many as it takes to be sure."""
    made: list[str] = []
    while len(made) < 3 and belief.by_fault[0][1] < 0.9:
        found = inference.next_check(belief, signs, made)
        if found is None:
            break
        made.append(found[0].name)
        belief = inference.answered(belief, found[0], world.answer(truth, found[0]))
    return belief.by_fault[0][0]


def _flagged(world: World) -> bool:
    """Is a fault that the table does not have flagged as unknown?"""
    strange = world.chance.choice(list(FAULTS))
    signs = [name for name in SIGNS if name not in ("pole_silent", "agent_silent")]
    shows = {name: world.chance.uniform(0.6, 0.95) for name in world.chance.sample(signs, 4)}
    world.faults["strange"] = replace(FAULTS[strange], signs=shows)
    truth = world.draw(two=False, unknown="strange")
    del world.faults["strange"]
    return ours(world.known(truth, list(SIGNS)), truth.contexts).unknown_fault
