"""Which faults explain the signs: noisy-or over single faults and pairs, and the check that tells most for its time.

Each fault that is there makes each of its signs with a chance of its own; a sign may also be there without any
(its leak): P(sign | faults) = 1 − (1 − leak) · Π (1 − p). What is not known is left out. Reference: Pearl,
Probabilistic Reasoning in Intelligent Systems (1988), section 4.3.2.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.alarms.checks import CHECKS, Check
from monitor.alarms.fault import DARK, POWERLESS
from monitor.alarms.faults import FAULTS, Fault
from monitor.alarms.signs import SIGNS, Signs

Floats = NDArray[np.float64]
TRUST: Final = 0.85
"""Exponent of the evidence: signs that share a root count for less than if each came by itself."""
PAIRS_SHARE: Final = 0.25
"""Share of the cases in which two faults act at once, before anything is seen."""
SOLAR_SHARE: Final = 0.15
"""Share of poles with a panel of their own, where the plan does not say."""
UNKNOWN_Z: Final = -2.38
"""Signs that fit even the best explanation this badly speak for a fault that is not in the table."""


@dataclass(frozen=True, slots=True)
class Network:
    """Faults and signs as arrays: hypotheses are single faults, then pairs."""

    names: tuple[str, ...]
    signs: tuple[str, ...]
    members: NDArray[np.bool_]
    """[hypothesis, fault]: is it part of it?"""
    chances: Floats
    """[hypothesis, sign]: how likely the sign is seen."""


def network_of(faults: Sequence[Fault], leaks: Mapping[str, float], pairs: bool = True) -> Network:
    """The network of these faults over the signs that have a leak."""
    signs = tuple(leaks)
    sets = [(i,) for i in range(len(faults))]
    if pairs:
        sets += list(combinations(range(len(faults)), 2))  # type: ignore[arg-type]  # tuples of one or two
    members = np.zeros((len(sets), len(faults)), np.bool_)
    for row, some in enumerate(sets):
        members[row, list(some)] = True
    misses = np.array([[1.0 - fault.signs.get(sign, 0.0) for sign in signs] for fault in faults])
    no_leak = 1.0 - np.array([leaks[sign] for sign in signs])
    chances = 1.0 - no_leak * np.exp(members.astype(np.float64) @ np.log(np.clip(misses, 1e-12, 1.0)))
    return Network(tuple(fault.name for fault in faults), signs, members, np.clip(chances, 1e-9, 1 - 1e-9))


@lru_cache(maxsize=1)
def usual() -> Network:
    """The network of the whole table."""
    return network_of(tuple(FAULTS.values()), {sign.name: sign.leak for sign in SIGNS.values()})


@lru_cache(maxsize=64)
def explaining(shown_by: tuple[str, ...]) -> Network:
    """The network of the faults that make one of these signs, over all signs that such faults make.

    Where all of them end in a dark pole, that it is not dark yet tells none from another, and speaks against none.
    """
    faults = [fault for fault in FAULTS.values() if not set(shown_by).isdisjoint(fault.signs)]
    shown = {name for fault in faults for name in fault.signs}
    if DARK.keys().isdisjoint(shown_by) and all(DARK.keys() <= fault.signs.keys() for fault in faults):
        shown -= POWERLESS.keys()
    return network_of(faults, {sign.name: sign.leak for sign in SIGNS.values() if sign.name in shown})


def priors(
    network: Network,
    contexts: Mapping[str, bool | None],
    record: Mapping[str, float] | None = None,
    faults: Mapping[str, Fault] = FAULTS,
    pairs_share: float = PAIRS_SHARE,
) -> Floats:
    """How likely each hypothesis is before a sign is seen; they sum to 1.

    ``contexts`` says of each context whether it is so, or None; ``record`` is fault → factor from the site's history.
    """
    rates = np.array([_rate(faults[name], contexts) * (record or {}).get(name, 1.0) for name in network.names])
    if not rates.any():
        rates = np.ones(len(rates))
    rates = rates / rates.sum()
    together = network.members.sum(axis=1)
    weights = np.where(together == 1, 1.0, 0.0) * (network.members @ rates)
    possible = network.members @ (rates == 0) == 0
    both = np.exp(network.members @ np.log(np.clip(rates, 1e-12, None))) * (together == 2) * possible
    if both.sum() > 0:
        weights = (1 - pairs_share) * weights / weights.sum() + pairs_share * both / both.sum()
    return np.asarray(weights / weights.sum(), np.float64)


def _rate(fault: Fault, contexts: Mapping[str, bool | None]) -> float:
    solar, radio = contexts.get("solar"), contexts.get("radio")
    rate = fault.per_year
    if fault.only == "solar":
        rate *= SOLAR_SHARE if solar is None else float(solar)
    elif (fault.only == "fed" and solar) or (fault.only == "fibre" and radio):
        return 0.0
    for name, factor in fault.context.items():
        rate *= factor if contexts.get(name) else 1.0
    return rate


@dataclass(frozen=True, slots=True)
class Belief:
    """What the signs say: probabilities of hypotheses and of faults, and how well the best explanation fits."""

    network: Network
    weights: Floats
    fit: float
    """Standard deviations by which the signs fit better than the best explanation lets expect; low is bad."""

    @property
    def by_fault(self) -> list[tuple[str, float]]:
        """(fault, probability that it is there), most likely first."""
        found = self.weights @ self.network.members
        return sorted(zip(self.network.names, found.tolist(), strict=True), key=lambda pair: -pair[1])

    @property
    def unknown_fault(self) -> bool:
        """Do the signs fit nothing in the table well?"""
        return self.fit < UNKNOWN_Z


def believe(network: Network, prior: Floats, signs: Signs, trust: float = TRUST) -> Belief:
    """Weigh all hypotheses by the signs that are known."""
    seen = [i for i, name in enumerate(network.signs) if signs.get(name) is True]
    unseen = [i for i, name in enumerate(network.signs) if signs.get(name) is False]
    likelihood = np.log(network.chances[:, seen]).sum(axis=1) + np.log1p(-network.chances[:, unseen]).sum(axis=1)
    with np.errstate(divide="ignore"):
        score = np.log(prior) + trust * likelihood
    weights = np.exp(score - score.max())
    best = int(score.argmax())
    return Belief(network, weights / weights.sum(), _fit(network.chances[best, seen + unseen], float(likelihood[best])))


def _fit(chances: Floats, likelihood: float) -> float:
    """How far a log-likelihood is from what these chances let expect, in standard deviations."""
    if not len(chances):
        return 0.0
    yes, no = np.log(chances), np.log1p(-chances)
    expected = float((chances * yes + (1 - chances) * no).sum())
    variance = float((chances * (1 - chances) * (yes - no) ** 2).sum())
    return (likelihood - expected) / math.sqrt(variance) if variance > 0 else 0.0


def yes_chances(network: Network, check: Check) -> Floats:
    """[hypothesis]: how likely the answer to a check is yes."""
    misses = np.array([1.0 - check.yes.get(name, 0.0) for name in network.names])
    return np.asarray(
        1.0 - (1.0 - check.leak) * np.exp(network.members @ np.log(np.clip(misses, 1e-12, 1.0))), np.float64
    )


def answered(belief: Belief, check: Check, yes: bool) -> Belief:
    """The belief after a check was made."""
    chances = np.clip(yes_chances(belief.network, check), 1e-9, 1 - 1e-9)
    weights = belief.weights * (chances if yes else 1 - chances)
    return Belief(belief.network, weights / weights.sum(), belief.fit)


def next_check(belief: Belief, signs: Signs, made: Collection[str] = ()) -> tuple[Check, float] | None:
    """The check with most bits for the square root of its minutes, and those bits; None where none tells anything."""
    best: tuple[Check, float] | None = None
    for check in CHECKS:
        if check.name in made or (check.sign and signs.get(check.sign) is not None):
            continue
        bits = _bits(belief, check)
        if best is None or bits / math.sqrt(check.minutes) > best[1] / math.sqrt(best[0].minutes):
            best = (check, bits)
    return best if best is not None and best[1] > 0.02 else None


def _bits(belief: Belief, check: Check) -> float:
    """Bits that the answer tells of which hypothesis is true: H(answer) − H(answer | hypothesis)."""
    chances = yes_chances(belief.network, check)
    yes = float(belief.weights @ chances)
    return float(_entropy(np.array([yes]))[0] - belief.weights @ _entropy(chances))


def _entropy(p: Floats) -> Floats:
    p = np.clip(p, 1e-12, 1 - 1e-12)
    return np.asarray(-(p * np.log2(p) + (1 - p) * np.log2(1 - p)))
