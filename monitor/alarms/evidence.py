"""What is known at the moment of a silence, picked from the newest readings and from those before it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from monitor.alarms.settlement import Settlement, settle
from monitor.alarms.silence import Watch
from monitor.alarms.topology import Topology
from monitor.budgets.expected import SiteBudget
from monitor.facts import resources
from monitor.facts.latest import Latest
from monitor.facts.readings import Slot
from monitor.facts.states import IfOperStatus
from monitor.facts.words import say
from monitor.margins.rates import restarted_between

GASP_S = 60.0
"""How long before the silence a dying gasp may have come (common practice, no source)."""
LINK_UP_DOUBTED_S = 15.0
"""How long after the last answer a link that is still said to be up proves nothing: agents answer from tables that
they read anew every so many seconds (10 to 30 in agents seen). A link said to be down is believed at once."""
FRESH_S = 10.0
"""How old a value may be to count as one of the present round."""
BEFORE_S = 3600.0
"""How old the volts and amperes may be that count as those before a silence (common practice, no source)."""


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
    supply_gone: bool | None = None
    """Are the supply's volts far below what they should be?"""
    siblings: bool = False
    """There are other poles on its supply, and they answer."""
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
class Before:
    """What stood when a pole last answered; None where it was not known."""

    at_s: float
    recent_amperes: tuple[float, ...]
    """Of the last three rounds that the pole answered, oldest first."""
    volts: float | None
    uptime_s: float | None

    @property
    def amperes(self) -> float | None:
        """Their median (of two the older): one that was read between the fault and the first miss is no norm."""
        if len(self.recent_amperes) < 3:
            return self.recent_amperes[0] if self.recent_amperes else None
        return sorted(self.recent_amperes)[1]


def _amperes(topology: Topology, pole: str) -> Slot:
    return Slot(resources.feeder(topology.feeder_head(pole)), "feeder_amperes")


def remember(topology: Topology, latest: Latest, pole: str, now_s: float, older: Before | None) -> Before:
    """What to remember of a pole that has just answered."""
    switch = resources.switch(pole)
    uptime = latest.value(Slot(switch, "uptime_seconds"), now_s - FRESH_S)
    volts = latest.value(Slot(switch, "input_volts"), now_s - BEFORE_S)
    amperes = latest.value(_amperes(topology, pole), now_s - BEFORE_S)
    recent = (older.recent_amperes if older else ()) + (() if amperes is None else (amperes,))
    return Before(
        now_s,
        recent[-3:],
        volts,
        uptime if uptime is not None else older.uptime_s if older else None,
    )


def evidence_for(
    root: str,
    topology: Topology,
    latest: Latest,
    before: Mapping[str, Before],
    budget: SiteBudget,
    now_s: float,
    gasps: Mapping[str, float] | None = None,
) -> Evidence:
    """The evidence on a root: a pole, ``supply/…`` or the head-end. ``gasps`` is pole → when it last gasped."""
    if root == topology.headend:
        return Evidence("head-end")
    if root.startswith("supply/"):
        supply_volts = latest.value(Slot(root, "supply_volts"), now_s - FRESH_S)
        return Evidence(
            "supply", supply_volts_now=supply_volts, supply_gone=_gone(supply_volts, root, budget, topology)
        )
    known, feeder = before.get(root), budget.poles[root].feeder
    link = latest.value(Slot(topology.uplink[root], "link_state"), now_s - FRESH_S)
    doubted = link == IfOperStatus.UP and known is not None and now_s - known.at_s < LINK_UP_DOUBTED_S
    day = next((case.at for case in feeder.cases if case.at is not None), None) if feeder else None
    supply = resources.supply(topology.supply[root])
    supply_volts = latest.value(Slot(supply, "supply_volts"), now_s - FRESH_S)
    return Evidence(
        "pole",
        uplink_up=None if link is None or doubted else link == IfOperStatus.UP,
        uplink_doubted=doubted,
        amperes_before=known.amperes if known else None,
        amperes_now=latest.value(_amperes(topology, root), now_s - FRESH_S),
        share_amperes=day.amperes if day else None,
        volts_before=known.volts if known else None,
        volts_minimum=feeder.minimum_volts if feeder else None,
        supply_volts_now=supply_volts,
        supply_gone=_gone(supply_volts, supply, budget, topology),
        own_supply=feeder is None,
        by_radio=budget.poles[root].optical is None,
        gasped=now_s - (gasps or {}).get(root, -math.inf) <= GASP_S,
        siblings=len({topology.feeder_head(pole) for pole in topology.fed_by(topology.supply[root])}) > 1,
    )


def _gone(volts: float | None, supply: str, budget: SiteBudget, topology: Topology) -> bool | None:
    """Are a supply's volts below what any of its poles' feeders was designed with, by a fifth?"""
    fed = topology.fed_by(supply.removeprefix("supply/"))
    designed = [feeder.supply_volts for pole in fed if (feeder := budget.poles[pole].feeder) is not None]
    return volts < 0.8 * min(designed) if volts is not None and designed else None


def signs_of(e: Evidence) -> tuple[dict[str, bool | None], dict[str, bool | None]]:
    """What the evidence on a silence means: signs, and the contexts that follow from the plan."""
    gone = e.current_gone
    signs: dict[str, bool | None] = {"pole_silent": True, "agent_silent": True}
    signs["all_lost"] = e.scope == "head-end"
    signs["siblings_lost"] = {"head-end": None, "supply": True, "pole": False if e.siblings else None}[e.scope]
    if not e.by_radio and e.scope == "pole":
        signs["link_down"] = None if e.uplink_up is None else not e.uplink_up
    if gone is not None:
        high = gone < 1 - SHORT_SHARE
        signs["current_high"] = high
        signs["current_gone"] = (
            True if gone > 1 - CURRENT_GONE_SHARE else False if gone < 1 - CURRENT_STAYS_SHARE else None
        )
    signs["gasped"] = True if e.gasped else None  # most switches have no such word, and a datagram may be lost
    if e.volts_before is not None and e.volts_minimum is not None:
        signs["volts_low"] = e.was_short_of_volts
    if e.supply_gone is not None:
        signs["supply_wrong"] = e.supply_gone
    return signs, {"solar": e.own_supply, "radio": e.by_radio}


def spoken(e: Evidence) -> tuple[str, ...]:
    """The figures of the evidence as short lines, known and unknown alike."""
    lines = []
    if e.scope == "pole":
        link = {
            True: say("link at the port towards it: up"),
            False: say("link at the port towards it: down"),
            None: say("link at the port towards it: not known"),
        }
        if e.uplink_doubted:
            link[None] = say("link at the port towards it: said to be up, but that may be from before")
        lines.append(link[e.uplink_up])
        if e.amperes_now is not None and e.amperes_before is not None:
            amperes = {"before": e.amperes_before, "now": e.amperes_now}
            lines.append(say("feeder current: {before:.2f} A before, {now:.2f} A now", **amperes))
        elif not e.own_supply:
            lines.append(say("feeder current: not known (no meter, or it does not answer)"))
    if e.volts_before is not None:
        lines.append(say("last volts at the pole: {volts:.1f} V", volts=e.volts_before))
    if e.supply_volts_now is not None:
        lines.append(say("volts at the supply: {volts:.1f} V", volts=e.supply_volts_now))
    return tuple(lines)


def restarted(pole: str, latest: Latest, before: Before | None, now_s: float) -> bool | None:
    """Did a pole's switch restart while it was silent? None where its uptime is not known on both sides."""
    now = latest.value(Slot(resources.switch(pole), "uptime_seconds"), now_s - FRESH_S)
    if now is None or before is None or before.uptime_s is None:
        return None
    return restarted_between(before.uptime_s, now, now_s - before.at_s)


SETTLE_WAIT_S = 60.0
"""How long a returned pole's alarm waits for the agent's uptime, which settles what it was (common practice)."""


def settlement(pole: str, latest: Latest, before: Before | None, watch: Watch, now_s: float) -> Settlement | None:
    """What settles a silence that has ended, UNTOLD where nothing can; None: wait, it may yet be known."""
    known = restarted(pole, latest, before, now_s)
    recent = watch.back_since_s is not None and now_s - watch.back_since_s < SETTLE_WAIT_S
    if known is None and recent and before is not None and before.uptime_s is not None:
        return None
    return settle(known)
