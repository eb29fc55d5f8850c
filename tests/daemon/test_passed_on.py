"""What the others pass on is material: what cannot be read, or is of nothing here, takes nothing else with it."""

import json
import zlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.silence import Sight
from monitor.daemon import passing
from monitor.daemon.design import Design
from monitor.daemon.shared import hear
from monitor.facts.readings import State
from monitor.plan.parts import Plan
from tests.daemon.test_passing import a_round


def packed(document: object) -> bytes:
    return zlib.compress(json.dumps(document).encode())


def changed(body: bytes, *path: object, to: object) -> bytes:
    """The same with one value changed."""
    document: Any = json.loads(zlib.decompress(body))
    inner = document
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = to
    return packed(document)


LOOK = passing.of_look(Sight("creek", 1_790_000_000.0, State.SEEN, True, None, {}, False), [a_round()], {})
TIER = passing.of_tier("creek/switch", "measure", a_round(), refused=False)
GARBAGE = [
    b"",
    b"nonsense",
    zlib.compress(b"nonsense"),
    packed([]),
    packed({}),
    zlib.compress(b"[" * 100_000),
    zlib.compress(bytes(passing.MOST_OCTETS + 1)),
    TIER[:-9],
    changed(LOOK, "look", "sight", to=None),
    changed(LOOK, "look", "sight", "agent", to=99),
    changed(LOOK, "look", "sight", "place", to=["creek"]),
    changed(LOOK, "look", "sight", "at_s", to="yesterday"),
    changed(LOOK, "look", "sight", "loads", to=[1]),
    changed(LOOK, "look", "services", to=7),
    changed(LOOK, "look", "rounds", to=[{}]),
    changed(TIER, "tier", "round", "values", to="AAAA"),
    changed(TIER, "tier", "round", "states", to="AA=="),
    changed(TIER, "tier", "round", "states", to="//8="),
    changed(TIER, "tier", "round", "at_s", to=1e300),
    changed(TIER, "tier", "round", "slots", to=[["creek/switch"]]),
    changed(TIER, "tier", "round", "why", to={"x": "y"}),
]


@pytest.mark.parametrize("body", GARBAGE)
def test_what_was_never_packed_is_refused(body: bytes) -> None:
    with pytest.raises(passing.Unreadable):
        passing.opened(body)


@given(st.binary(max_size=200), st.booleans())
def test_any_octets_are_refused(octets: bytes, pressed: bool) -> None:
    with pytest.raises(passing.Unreadable):
        passing.opened(zlib.compress(octets) if pressed else octets)


class Taken:
    """Stands in for the rounds: what reaches them."""

    def __init__(self, design: Design) -> None:
        self.memory: Any = self
        self.design = design
        self.watches: Any = dict.fromkeys(design.places)
        self.latest: Any = self
        self.got: list[str] = []

    def newest(self, device: str, tier: str) -> None:
        return None

    async def seen(self, sight: Sight, *_: object) -> None:
        assert sight.place in self.watches
        self.got.append(sight.place)

    async def read(self, device: Any, *_: object) -> None:
        self.got.append(device.name)


async def test_what_is_not_right_takes_nothing_else_with_it(design: Design, tarrow: Plan) -> None:
    rounds = Taken(design)
    elsewhere = changed(LOOK, "look", "sight", "place", to="a pole of an older plan")
    foreign = passing.of_tier("nobody/switch", "measure", a_round(), refused=False)
    bodies = [*GARBAGE, elsewhere, foreign, LOOK, *GARBAGE, TIER]
    left_out = await hear(rounds, bodies)  # type: ignore[arg-type]  # stands in for the rounds
    assert rounds.got == ["creek", "creek/switch"]
    assert left_out == 2 * len(GARBAGE) + 2
