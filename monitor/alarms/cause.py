"""Why something on a pole most probably failed: what the signs say, in words, with the check that would tell more.

A sign that is not known (None) never speaks for or against anything; where what is known does not separate two
causes, that is said, with the cheapest check that would.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from monitor.alarms import inference
from monitor.alarms.advice import ADVICE, GROUPS, Advice
from monitor.alarms.faults import FAULTS
from monitor.alarms.signs import Signs, spoken
from monitor.facts.words import say

SURE: Final = 0.6
"""From here on the first cause, or its group, is said to be the most likely."""
SHOWN: Final = 5
SAID_BY_FIGURES: Final = frozenset(("link_down", "current_gone", "current_high", "volts_low", "supply_wrong"))
"""Signs that the lines with figures on a silence have said already."""
SPEAKS_AGAINST: Final = 0.5
"""A sign that a fault makes more often than not speaks against it where it is not seen."""
MOST_PERCENT: Final = 90
"""No certainty above this is shown: the table is not better than that."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """One fault that may explain what is seen."""

    fault: str
    number: int
    percent: float
    words: str


@dataclass(frozen=True, slots=True)
class Cause:
    """The most probable cause, in words that an owner understands."""

    name: str
    group: str
    sentence: str
    certainty: Literal["most likely", "cannot tell"]
    percent: float
    evidence: tuple[str, ...]
    look_first: str
    van_list: tuple[str, ...]
    cautions: tuple[str, ...]
    suspects: tuple[Suspect, ...] = ()
    check: str = ""
    """What would tell the first two suspects apart; empty where that is not needed or nothing would."""
    unknown_fault: bool = False
    """What is seen fits nothing that is known well."""


def cause_of(
    signs: Signs,
    contexts: Mapping[str, bool | None],
    evidence: tuple[str, ...] = (),
    record: Mapping[str, float] | None = None,
    shown_by: tuple[str, ...] = (),
) -> Cause:
    """What the signs say; ``evidence`` are lines with figures, which stand before the signs' own words.

    ``shown_by`` is an alarm's scope: then only faults that make one of these signs are looked at, and only by what such
    faults show. What else is wrong at the pole neither explains the alarm nor is told as its evidence.

    >>> cause_of({"pole_silent": True, "link_down": True, "current_gone": False}, {}).group
    'path'
    >>> cause_of({"pole_silent": True, "link_down": True}, {}).certainty
    'cannot tell'
    """
    network = inference.explaining(shown_by) if shown_by else inference.usual()
    signs = {name: so for name, so in signs.items() if name in network.signs}
    belief = inference.believe(network, inference.priors(network, contexts, record), signs)
    shown = {name for name, so in signs.items() if so and (not shown_by or name in shown_by)}
    ranked = _explaining(belief.by_fault, shown)
    suspects = tuple(Suspect(n, FAULTS[n].number, _shown(p), ADVICE[n].words) for n, p in ranked[:SHOWN])
    name, first = ranked[0]
    group, whole = _first_group(ranked)
    seen = bool(shown)  # with nothing out of order nothing is sure, however the rest compares
    sure = seen and first >= SURE
    alike = (
        [n for n, p in ranked if FAULTS[n].group == group and p >= 0.05] if seen and not sure and whole >= SURE else []
    )
    told = [name] if sure else alike or [n for n, p in ranked[:3] if p >= 0.12] or [name]
    check = inference.next_check(belief, signs) if not sure else None
    share = first if sure else whole if alike else first
    return Cause(
        name,
        FAULTS[name].group if sure else group,
        _sentence(told, dict(ranked), group if alike else "", share),
        "most likely" if sure or alike else "cannot tell",
        round(_shown(share), 0),
        (*evidence, *_told(signs, [n for n, _ in ranked[:3]], bool(evidence))),
        _look_first(told, check[0].words if check else ""),
        _van_list([ADVICE[n] for n in told]),
        _cautions([ADVICE[n] for n in told]),
        suspects,
        check[0].words if check else "",
        belief.unknown_fault,
    )


def _explaining(ranked: list[tuple[str, float]], seen: Collection[str]) -> list[tuple[str, float]]:
    """Only faults that make something of what is seen: others are no likelier than on any day. All, if none does."""
    return [(name, p) for name, p in ranked if not FAULTS[name].signs.keys().isdisjoint(seen)] or ranked


def _told(signs: Signs, first: list[str], with_figures: bool) -> tuple[str, ...]:
    """What is seen, and what is not seen though one of the first causes would have shown it."""
    would = {sign for name in first for sign, p in FAULTS[name].signs.items() if p >= SPEAKS_AGAINST}
    said = SAID_BY_FIGURES if with_figures and signs.get("pole_silent") else frozenset[str]()
    known = {name: so for name, so in signs.items() if name not in said}
    return spoken({name: so for name, so in known.items() if so or (so is False and name in would)})


def _first_group(ranked: list[tuple[str, float]]) -> tuple[str, float]:
    sums: dict[str, float] = {}
    for name, p in ranked:
        group = FAULTS[name].group
        sums[group] = sums.get(group, 0.0) + p
    group = max(sums, key=lambda name: sums[name])
    return group, min(1.0, sums[group])


def _shown(p: float) -> float:
    """A certainty as it is shown everywhere [%], to a tenth."""
    return min(float(MOST_PERCENT), round(100 * p, 1))


def _percent(p: float) -> str:
    return say("{p:.0f} %", p=_shown(p))


def _sentence(told: list[str], p: Mapping[str, float], group: str, share: float) -> str:
    """What it is, with its certainty; of several, each with its own."""
    several = [say("{cause} ({percent})", cause=ADVICE[name].words, percent=_percent(p[name])) for name in told]
    each = several[0]
    for other in several[1:]:
        each = say("{one} or {other}", one=each, other=other)
    if not group or len(told) == 1:
        return each
    return say("{group} ({percent}): {each}", group=GROUPS[group], percent=_percent(share), each=each)


def _look_first(told: list[str], check: str) -> str:
    if len(told) == 1 or not check:
        return ADVICE[told[0]].look_first
    return say("{check}; that tells these apart", check=check)


def _van_list(several: list[Advice]) -> tuple[str, ...]:
    """Each thing once, in the order of the causes; where nobody has to drive for any of them, that."""
    drives = [advice for advice in several if not advice.from_the_chair] or several
    return tuple(dict.fromkeys(thing for advice in drives for thing in advice.van_list))


def _cautions(several: list[Advice]) -> tuple[str, ...]:
    """Each line once, in the order of the causes; the line on local codes, the last of each, last."""
    lines = [line for advice in several for line in advice.cautions[:-1]]
    return tuple(dict.fromkeys([*lines, several[0].cautions[-1]]))
