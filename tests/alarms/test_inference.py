"""The noisy-or inference: against pgmpy, against exact enumeration, and what must hold whatever the table says."""

import csv
import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms import inference
from monitor.alarms.checks import CHECKS
from monitor.alarms.faults import FAULTS
from monitor.alarms.signs import SIGNS

GOLDEN = Path(__file__).parents[1] / "golden" / "inference.csv"
FEW = ("feeder-dead", "fibre-cut", "switch-hang", "dirty-connector")
LEAKS = {"link_down": 0.01, "current_gone": 0.01, "restarted": 0.02, "light_near_fell": 0.02, "agent_silent": 0.02}


def small() -> inference.Network:
    """Four faults and five signs of the table."""
    return inference.network_of([FAULTS[name] for name in FEW], LEAKS)


def rows() -> list[tuple[str, str, float]]:
    with GOLDEN.open(encoding="utf-8", newline="") as opened:
        return [(row["signs"], row["fault"], float(row["probability"])) for row in csv.DictReader(opened)]


@pytest.mark.parametrize(("signs", "fault", "probability"), rows())
def test_as_pgmpy_says(signs: str, fault: str, probability: float) -> None:
    """The same network in pgmpy 1.1.2, solved by variable elimination; evidence with its full weight."""
    network = small()
    prior = inference.priors(network, {"solar": False}, pairs_share=0.25)
    belief = inference.believe(network, prior, json.loads(signs), trust=1.0)
    assert dict(belief.by_fault)[fault] == pytest.approx(probability, abs=1e-9)


def enumerated(signs: dict[str, bool | None], trust: float) -> dict[str, float]:
    """The same by writing out every hypothesis and every sign, one after the other."""
    rates = {name: FAULTS[name].per_year for name in FEW}
    whole = sum(rates.values())
    sets = [(name,) for name in FEW] + list(itertools.combinations(FEW, 2))
    both = sum(rates[a] * rates[b] for a, b in itertools.combinations(FEW, 2)) / whole**2
    weights = []
    for some in sets:
        share = (
            0.75 * rates[some[0]] / whole
            if len(some) == 1
            else 0.25 * rates[some[0]] * rates[some[1]] / whole**2 / both
        )
        for sign, seen in signs.items():
            if seen is None:
                continue
            none = 1 - LEAKS[sign]
            for name in some:
                none *= 1 - FAULTS[name].signs.get(sign, 0.0)
            share *= ((1 - none) if seen else none) ** trust
        weights.append(share)
    total = sum(weights)
    return {name: sum(w for w, some in zip(weights, sets, strict=True) if name in some) / total for name in FEW}


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(st.sampled_from(list(LEAKS)), st.sampled_from([True, False, None])), st.sampled_from([0.85, 1.0])
)
def test_as_the_exact_enumeration_says(signs: dict[str, bool | None], trust: float) -> None:
    network = small()
    belief = inference.believe(network, inference.priors(network, {"solar": False}), signs, trust)
    assert dict(belief.by_fault) == pytest.approx(enumerated(signs, trust), abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.dictionaries(st.sampled_from(list(SIGNS)), st.booleans(), max_size=12))
def test_what_is_unknown_changes_nothing_and_probabilities_are_some(signs: dict[str, bool]) -> None:
    network = inference.usual()
    prior = inference.priors(network, {})
    known = inference.believe(network, prior, signs)
    more = inference.believe(network, prior, {**dict.fromkeys(SIGNS), **signs})
    assert known.weights == pytest.approx(more.weights)
    assert float(known.weights.sum()) == pytest.approx(1.0)
    assert all(0 <= p <= 1 + 1e-9 for _, p in known.by_fault)


def test_priors_follow_the_plan_the_weather_and_the_site_s_own_record() -> None:
    network = inference.usual()

    def share(name: str, **contexts: bool) -> float:
        prior = inference.priors(network, contexts)
        return float(prior @ network.members[:, network.names.index(name)])

    assert share("battery-aged", solar=False) == 0.0
    assert share("feeder-dead", solar=True) == 0.0
    assert share("fibre-cut", solar=True, radio=True) == 0.0
    assert share("lightning", storm=True) > 5 * share("lightning", storm=False)
    assert share("wrong-optic", visit=True) > 5 * share("wrong-optic")
    plain = inference.priors(network, {})
    learnt = inference.priors(network, {}, {"fibre-cut": 2.0})
    at = network.members[:, network.names.index("fibre-cut")]
    assert float(learnt @ at) > 1.4 * float(plain @ at)


def test_the_next_check_is_the_one_that_tells_most_for_its_time() -> None:
    """Path or power with the meter unread: the meter or the breaker, both at the head-end, before any walk."""
    network = inference.usual()
    signs: dict[str, bool | None] = {"pole_silent": True, "link_down": True, "siblings_lost": False, "all_lost": False}
    belief = inference.believe(network, inference.priors(network, {"solar": False}), signs)
    found = inference.next_check(belief, signs)
    assert found is not None
    check, bits = found
    assert check.name in ("current_gone", "breaker_open")
    assert 0 < bits <= 1
    after = {yes: inference.answered(belief, check, yes) for yes in (True, False)}
    chance = float(belief.weights @ inference.yes_chances(network, check))
    mixed = chance * after[True].weights + (1 - chance) * after[False].weights
    assert mixed == pytest.approx(belief.weights), "what is expected after an answer is what is believed before it"


def test_how_far_what_is_seen_lies_from_what_was_to_be_expected() -> None:
    """By hand: n signs of one chance p, k of them seen, is a binomial: z = (k - n p) / sqrt(n p (1 - p)) for p < 1/2
    with the sign turned where the rarer outcome came too often (Cox and Snell, Analysis of Binary Data, 1.2)."""
    chances, seen = np.full(10, 0.2), 4
    likelihood = seen * math.log(0.2) + (10 - seen) * math.log(0.8)
    assert inference._fit(chances, likelihood) == pytest.approx(-(seen - 2.0) / math.sqrt(10 * 0.2 * 0.8))
    assert inference._fit(np.array([]), 0.0) == 0.0


def test_the_bits_of_a_check_are_the_mutual_information() -> None:
    """By hand: two equally likely hypotheses, a check that is always right, tells one bit (Cover and Thomas, 2.4)."""
    network = inference.network_of([FAULTS["feeder-dead"], FAULTS["fibre-cut"]], LEAKS, pairs=False)
    even = inference.Belief(network, np.array([0.5, 0.5]), 0.0)
    sure = next(check for check in CHECKS if check.name == "breaker_open")
    sharp = type(sure)("sharp", "", 1.0, {"feeder-dead": 1 - 1e-12}, 1e-12)
    assert inference._bits(even, sharp) == pytest.approx(1.0, abs=1e-6)
    blunt = type(sure)("blunt", "", 1.0, {}, 0.5)
    assert inference._bits(even, blunt) == pytest.approx(0.0, abs=1e-9)
    assert math.isclose(float(even.weights.sum()), 1.0)


def test_a_check_is_asked_once_and_not_where_its_sign_is_known() -> None:
    network = inference.usual()
    signs: dict[str, bool | None] = {"pole_silent": True, "link_down": True}
    belief = inference.believe(network, inference.priors(network, {}), signs)
    made: list[str] = []
    while (found := inference.next_check(belief, signs, made)) is not None:
        check, bits = found
        assert check.name not in made
        assert bits > 0.02, "a check that tells next to nothing is not asked for"
        made.append(check.name)
    assert 3 < len(made) < len(CHECKS)
    first = made[0]
    for known in (True, False):
        again = inference.next_check(belief, {**signs, first: known})
        assert again is not None
        assert again[0].name != first, "an instrument has read it already"


def test_the_check_that_is_asked_has_the_most_bits_for_the_square_root_of_its_minutes() -> None:
    network = inference.usual()
    for signs in ({"pole_silent": True}, {"light_near_fell": True}, {"stream_lost": True, "pole_silent": False}):
        belief = inference.believe(network, inference.priors(network, {}), signs)
        found = inference.next_check(belief, signs)
        assert found is not None
        worth = {check.name: inference._bits(belief, check) / math.sqrt(check.minutes) for check in CHECKS}
        asked = {check.name: worth[check.name] for check in CHECKS if signs.get(check.sign) is None}
        assert found[0].name == max(asked, key=lambda name: asked[name])


def test_where_one_fault_is_certain_no_check_tells_anything() -> None:
    network = inference.usual()
    weights = np.zeros(len(network.members))
    weights[network.names.index("fibre-cut")] = 1.0
    assert inference.next_check(inference.Belief(network, weights, 0.0), {}) is None


def test_where_nothing_can_happen_everything_is_as_likely() -> None:
    network = inference.network_of([FAULTS["battery-aged"], FAULTS["solar-deficit"]], LEAKS, pairs=False)
    assert inference.priors(network, {"solar": False}).tolist() == [0.5, 0.5]


def test_two_faults_at_once_are_a_quarter_of_the_cases_and_only_of_faults_that_can_be() -> None:
    network = small()
    prior = inference.priors(network, {"solar": False})
    both = network.members.sum(axis=1) == 2
    assert float(prior[both].sum()) == pytest.approx(0.25)
    assert float(prior.sum()) == pytest.approx(1.0)
    solar = inference.priors(network, {"solar": True})
    of_feeder = network.members[:, network.names.index("feeder-dead")]
    assert float(solar[of_feeder].sum()) == 0.0


def test_signs_fit_as_expected_where_they_come_as_often_as_they_should() -> None:
    network = small()
    belief = inference.believe(network, inference.priors(network, {}), {})
    assert (belief.fit, belief.unknown_fault) == (0.0, False)
    assert inference.Belief(network, belief.weights, -2.38).unknown_fault is False
    assert inference.Belief(network, belief.weights, -2.39).unknown_fault is True
