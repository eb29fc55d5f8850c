"""How sure a cause is said to be: from beliefs that are given, to what is said of them in facts."""

from collections.abc import Callable

import numpy as np
import pytest

from monitor.alarms import inference
from monitor.alarms.advice import ADVICE
from monitor.alarms.cause import Cause, cause_of

Told = Callable[..., Cause]
SEEN: dict[str, bool | None] = {"pole_silent": True}
"""Of every fault that takes a pole away."""


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Told:
    def with_belief(signs: dict[str, bool | None], **chances: float) -> Cause:
        network = inference.usual()
        weights = np.zeros(len(network.members))
        for name, chance in chances.items():
            weights[network.names.index(name.replace("_", "-"))] = chance
        belief = inference.Belief(network, weights, 0.0)
        monkeypatch.setattr(inference, "believe", lambda *_: belief)
        return cause_of(signs, {})

    return with_belief


def takes_along(cause: Cause, *names: str) -> bool:
    """Is what these faults want to be taken along all there, and nothing that only another wants?"""
    wanted = {line for name in names for line in ADVICE[name].van_list}
    return {line for line in cause.van_list if not line.startswith("nothing:")} == {
        line for line in wanted if not line.startswith("nothing:")
    }


@pytest.mark.parametrize(("first", "sure"), [(0.6, True), (0.59, False), (0.95, True)])
def test_a_cause_is_most_likely_from_sixty_percent_on(told: Told, first: float, sure: bool) -> None:
    cause = told(SEEN, feeder_dead=first, fibre_cut=1 - first)
    assert (cause.name, cause.group) == ("feeder-dead", "power")
    assert (cause.certainty == "most likely") is sure
    assert (cause.check == "") is sure, "what is not sure has a check that would tell"
    assert cause.percent == min(90, round(100 * first))


@pytest.mark.parametrize(("path", "alike"), [(0.6, True), (0.58, False)])
def test_where_no_fault_is_sure_its_group_may_be(told: Told, path: float, alike: bool) -> None:
    cause = told(SEEN, fibre_cut=path / 2, connector_loose=path / 2, feeder_dead=1 - path)
    assert (cause.certainty == "most likely") is alike
    assert cause.group == "path"
    if alike:
        assert cause.percent == 60
        assert takes_along(cause, "fibre-cut", "connector-loose")


@pytest.mark.parametrize(("third", "with_it"), [(0.12, True), (0.11, False)])
def test_of_those_that_cannot_be_told_apart_three_are_named_that_have_an_eighth(
    told: Told, third: float, with_it: bool
) -> None:
    cause = told(SEEN, feeder_dead=0.5, fibre_cut=0.5 - third, switch_hang=third)
    assert cause.certainty == "cannot tell"
    assert takes_along(cause, "feeder-dead", "fibre-cut", *(("switch-hang",) if with_it else ()))


def test_with_nothing_out_of_order_nothing_is_sure(told: Told) -> None:
    cause = told({"pole_silent": False}, feeder_dead=0.99, fibre_cut=0.01)
    assert cause.certainty == "cannot tell"


def test_five_suspects_are_shown_and_only_such_as_make_something_of_what_is_seen(told: Told) -> None:
    chances = {"feeder_dead": 0.3, "fibre_cut": 0.2, "cable_cut": 0.15, "supply_lost": 0.1, "switch_hang": 0.05}
    cause = told(SEEN, **chances, head_end_off=0.04, camera_hung=0.16)
    assert [one.fault for one in cause.suspects] == [name.replace("_", "-") for name in chances]
    assert [one.percent for one in cause.suspects] == [30.0, 20.0, 15.0, 10.0, 5.0]
