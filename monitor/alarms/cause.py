"""Why a pole most probably fell silent: ordered rules over whatever evidence exists, the cheapest first.

A sign that is not known (None) never speaks for or against anything; where what is known does not separate
two causes, that is said, with the check that would.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from monitor.alarms import cautions

CURRENT_GONE_SHARE = 0.3
CURRENT_STAYS_SHARE = 0.6
SHORT_SHARE = 1.6
"""Shares of the pole's own current before it fell silent; common practice, no source: defaults to be tested."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known at the moment of a silence. None: not known."""

    scope: Literal["pole", "supply", "head-end"]
    uplink_up: bool | None = None
    amperes_before: float | None = None
    amperes_now: float | None = None
    share_amperes: float | None = None
    """What this pole and those fed through it draw by the plan."""
    volts_before: float | None = None
    volts_minimum: float | None = None
    supply_volts_now: float | None = None
    own_supply: bool = False
    """The pole has panel and battery of its own."""
    by_radio: bool = False
    gasped: bool = False
    """The switch said that its power was going, just before. Anybody could have: it decides only what is else open."""
    uplink_doubted: bool = False
    """The link is said to be up, but so soon after the last answer that the agent may speak of before."""

    @property
    def current_gone(self) -> float | None:
        """Share of this pole's current that is gone at the head-end: 1 all of it, 0 none, negative: it rose."""
        if self.amperes_before is None or self.amperes_now is None:
            return None
        share = min(self.share_amperes or self.amperes_before, self.amperes_before)
        return (self.amperes_before - self.amperes_now) / share if share > 0.05 else None

    @property
    def was_short_of_volts(self) -> bool:
        """Were the last volts seen below or within 1 V of what the switch needs?"""
        return (
            self.volts_before is not None
            and self.volts_minimum is not None
            and self.volts_before < self.volts_minimum + 1
        )


@dataclass(frozen=True, slots=True)
class Cause:
    """The most probable cause, in words that an owner understands."""

    name: str
    sentence: str
    certainty: Literal["most likely", "cannot tell"]
    evidence: tuple[str, ...]
    look_first: str
    van_list: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Rule:
    when: Callable[[Evidence], bool]
    name: str
    sentence: str
    look_first: str
    van_list: tuple[str, ...]
    cautions: tuple[str, ...]
    certain: bool = True


_POWER_VAN: Final = ("multimeter and DC clamp", "spare fuses", "spare supply", "glands, terminals, sealant")
_PATH_VAN: Final = (
    "fibre cleaner and inspection scope",
    "two spare optics of each kind",
    "patch leads",
    "visual fault finder",
)
_POWER_CAUTIONS: Final = (cautions.DC, cautions.LADDER, cautions.STORM, cautions.CODES)
_PATH_CAUTIONS: Final = (cautions.FIBRE, cautions.LADDER, cautions.STORM, cautions.CODES)

_RULES: Final = (
    _Rule(
        lambda e: e.scope == "head-end",
        "head-end",
        "the head-end: its switch or this box's own connection, not the poles",
        "the head-end switch: has it power, are its link lamps lit?",
        ("spare switch", "patch leads"),
        (cautions.MAINS, cautions.CODES),
    ),
    _Rule(
        lambda e: e.scope == "supply",
        "supply",
        "the common supply: all its poles went within one round",
        "the supply's output and its mains, before driving anywhere",
        ("multimeter", "spare supply", "spare fuses"),
        (cautions.MAINS, cautions.DC, cautions.CODES),
    ),
    _Rule(
        lambda e: e.current_gone is not None and e.current_gone < 1 - SHORT_SHARE,
        "short",
        "a short on the feeder that its protection has not cut: the current has risen and stays high",
        "switch this feeder off now, then measure its resistance with it isolated",
        ("insulation tester", *_POWER_VAN),
        (cautions.SHORT, *_POWER_CAUTIONS),
    ),
    _Rule(
        lambda e: e.current_gone is not None and e.current_gone > 1 - CURRENT_GONE_SHARE,
        "power",
        "power: the feeder no longer carries the pole's current (breaker, fuse, an open joint, or the whole "
        "cable is cut)",
        "the feeder's protection at the head-end; reset it once only: a second trip is a fault",
        _POWER_VAN,
        _POWER_CAUTIONS,
    ),
    _Rule(
        lambda e: e.uplink_up is True and not e.by_radio,
        "switch",
        "the pole's switch: light still arrives from it, so it has power and fibre, and it answers nothing",
        "wait two minutes for a restart; then switch its feeder off and on once",
        ("spare switch", "console lead"),
        _POWER_CAUTIONS,
    ),
    _Rule(
        lambda e: e.current_gone is not None and e.current_gone < 1 - CURRENT_STAYS_SHARE,
        "path",
        "the path: the pole still draws its current, so it has power and its fibre or connectors have failed",
        "both ends' connectors, then signs of digging, rodents or vehicles along the run",
        _PATH_VAN,
        _PATH_CAUTIONS,
    ),
    _Rule(
        lambda e: e.gasped and e.uplink_up is not True,
        "power",
        "power: the switch's last word was that its power was going",
        "the feeder's protection at the head-end; reset it once only: a second trip is a fault",
        _POWER_VAN,
        _POWER_CAUTIONS,
    ),
    _Rule(
        lambda e: e.was_short_of_volts,
        "power",
        "power: the volts were already at the switch's minimum when it went silent",
        "volts at the pole under load; the drop across each joint",
        _POWER_VAN,
        _POWER_CAUTIONS,
    ),
    _Rule(
        lambda e: e.own_supply,
        "power-or-path",
        "its own panel and battery, or the way to it: what is known does not tell which",
        "the battery's volts on site; before sunrise a flat battery is the likelier",
        ("multimeter", "portable charger", *_PATH_VAN),
        (cautions.BATTERY, *_PATH_CAUTIONS),
        certain=False,
    ),
    _Rule(
        lambda _: True,
        "power-or-path",
        "power or path: what is known does not tell a pole without power from a cut fibre",
        "the feeder's protection and current at the head-end: current flowing means path, none means power",
        (*_POWER_VAN, *_PATH_VAN),
        (cautions.DC, *_PATH_CAUTIONS),
        certain=False,
    ),
)


def cause_of(evidence: Evidence) -> Cause:
    """The first rule that holds.

    >>> cause_of(Evidence("pole", uplink_up=False, amperes_before=1.1, amperes_now=0.0, share_amperes=1.1)).name
    'power'
    >>> cause_of(Evidence("pole", uplink_up=False, amperes_before=1.1, amperes_now=1.05)).name
    'path'
    >>> cause_of(Evidence("pole", uplink_up=False)).certainty
    'cannot tell'
    """
    rule = next(rule for rule in _RULES if rule.when(evidence))
    return Cause(
        rule.name,
        rule.sentence,
        "most likely" if rule.certain else "cannot tell",
        _spoken(evidence),
        rule.look_first,
        rule.van_list,
        rule.cautions,
    )


def _spoken(e: Evidence) -> tuple[str, ...]:
    """The evidence as short lines, known and unknown alike."""
    link = {
        True: "link at the port towards it: up",
        False: "link at the port towards it: down",
        None: "link at the port towards it: not known",
    }
    if e.uplink_doubted:
        link[None] = "link at the port towards it: said to be up, but that may be from before"
    lines = [link[e.uplink_up]]
    if e.amperes_now is not None and e.amperes_before is not None:
        lines.append(f"feeder current: {e.amperes_before:.2f} A before, {e.amperes_now:.2f} A now")
    elif not e.own_supply:
        lines.append("feeder current: not known (no meter, or it does not answer)")
    if e.volts_before is not None:
        lines.append(f"last volts at the pole: {e.volts_before:.1f} V")
    if e.supply_volts_now is not None:
        lines.append(f"volts at the supply: {e.supply_volts_now:.1f} V")
    return tuple(lines)


def settle(restarted: bool | None) -> str:
    """The line that says what it was, once the pole is back; empty where its uptime does not tell."""
    if restarted is None:
        return ""
    if restarted:
        return "it was power or the switch itself: its uptime restarted"
    return "it was the path: the switch ran on all the time"
