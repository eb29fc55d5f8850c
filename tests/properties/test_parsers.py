"""Whatever comes from outside is answered, or refused by a parser's own error: never by another, and never for long.

The pole is physically exposed: whoever plugs in there speaks to these parsers. CWE-20 and CWE-674 name what would
happen to one that takes everything: wrong answers, or a loop that stands still.
"""

import random
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.properties.targets import TARGETS, Target

CRASHES = Path(__file__).parents[1] / "recordings" / "crashes"
LONGEST_S = 2.0
"""A parser that takes longer over a few kilobytes stops everything else: the loop is one."""


def eaten(target: Target, data: bytes) -> bool:
    """Was it taken? An answer by one of the parser's own errors is one, too; any other error is the test's."""
    began_s = time.process_time()
    try:
        target.eat(data)
        return True
    except target.answers:
        return False
    finally:
        assert time.process_time() - began_s < LONGEST_S


@st.composite
def spoilt(draw: st.DrawFn, seeds: tuple[bytes, ...]) -> bytes:
    """Something valid, with octets changed, cut out, doubled or put in."""
    octets = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, max(0, len(octets) - 1)))
        kind = draw(st.integers(0, 3))
        if kind == 0 and octets:
            octets[at] = draw(st.integers(0, 255))
        elif kind == 1:
            del octets[at : at + draw(st.integers(1, 16))]
        elif kind == 2:
            octets[at:at] = octets[at : at + draw(st.integers(1, 32))]
        else:
            octets[at:at] = draw(st.binary(max_size=16))
    return bytes(octets)


@pytest.mark.parametrize("name", list(TARGETS))
def test_something_valid_is_taken(name: str) -> None:
    target = TARGETS[name]
    assert any(eaten(target, seed) for seed in target.seeds), "else the spoilt ones would prove nothing"


@pytest.mark.parametrize("file", sorted(CRASHES.iterdir()), ids=lambda file: file.name)
def test_what_was_found_once(file: Path) -> None:
    """Found by ``tests/bench/fuzz``: named by the parser and by what was the matter."""
    eaten(TARGETS[next(name for name in TARGETS if file.name.startswith(f"{name}-"))], bytes.fromhex(file.read_text()))


@pytest.mark.parametrize("name", list(TARGETS))
def test_anything_at_all(name: str) -> None:
    target = TARGETS[name]
    slow = name in ("plan", "datasheet")

    @settings(max_examples=25 if slow else 150, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.one_of(st.binary(max_size=300), spoilt(target.seeds)))
    def any_octets(data: bytes) -> None:
        eaten(target, data)

    any_octets()


BOMBS = {
    "entities": b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;">]><E><Body>&b;</Body></E>',
    "external": b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]><E><Body>&a;</Body></E>',
    "deep": b"<a>" * 5000 + b"</a>" * 5000,
    "wide": b"<E>" + b"<a/>" * 10_000 + b"</E>",
}


@pytest.mark.parametrize("bomb", list(BOMBS))
@pytest.mark.parametrize("name", ["ws-discovery", "onvif"])
def test_xml_bombs_are_refused(name: str, bomb: str) -> None:
    assert not eaten(TARGETS[name], BOMBS[bomb])


@pytest.mark.parametrize(
    "text",
    [
        b"a: &a [x, x]\nb: &b [*a, *a]\nc: &c [*b, *b]\nd: &d [*c, *c]\ne: [*d, *d]\n",
        b"!!python/object/apply:os.system ['true']\n",
        b"[" * 2000,
        b"{a: " * 500,
        b"site: !!binary aGk=\n",
        b"? [site]\n: 1\n",
        b"site: .inf\npoles: [.nan]\n",
    ],
)
@pytest.mark.parametrize("name", ["plan", "datasheet"])
def test_yaml_that_means_harm_is_refused(name: str, text: bytes) -> None:
    assert not eaten(TARGETS[name], text)


def test_the_seeds_of_chance_are_many() -> None:
    """The same spoiling without hypothesis, as the bench does it: a quick look at each parser."""
    chance = random.Random(1)
    for target in TARGETS.values():
        octets = bytearray(target.seeds[0])
        for _ in range(3):
            octets[chance.randrange(len(octets))] = chance.randrange(256)
        eaten(target, bytes(octets))
