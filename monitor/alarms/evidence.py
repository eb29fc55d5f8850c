"""What is known at the moment of a silence, picked from the newest readings and from those before it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from monitor.alarms.cause import Evidence, settle
from monitor.alarms.silence import Watch
from monitor.alarms.topology import Topology
from monitor.budgets.expected import SiteBudget
from monitor.facts import resources
from monitor.facts.latest import Latest
from monitor.facts.readings import Slot
from monitor.margins.rates import restarted_between

GASP_S = 60.0
"""How long before the silence a dying gasp may have come (common practice, no source)."""
LINK_UP_DOUBTED_S = 15.0
"""How long after the last answer a link that is still said to be up proves nothing: agents answer from tables that
they read anew every so many seconds (10 to 30 in agents seen). A link said to be down is believed at once."""
FRESH_S = 10.0
"""How old a value may be to count as one of the present round."""


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
    volts = latest.last_seen(Slot(switch, "input_volts"))
    amperes = latest.value(_amperes(topology, pole), now_s - 3600)
    recent = (older.recent_amperes if older else ()) + (() if amperes is None else (amperes,))
    return Before(
        now_s,
        recent[-3:],
        volts[0] if volts else None,
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
        return Evidence("supply", supply_volts_now=latest.value(Slot(root, "supply_volts"), now_s - FRESH_S))
    known, feeder = before.get(root), budget.poles[root].feeder
    link = latest.value(Slot(topology.uplink[root], "link_state"), now_s - FRESH_S)
    doubted = link == 1 and known is not None and now_s - known.at_s < LINK_UP_DOUBTED_S
    day = next((case.at for case in feeder.cases if case.at is not None), None) if feeder else None
    supply = resources.supply(topology.supply[root])
    return Evidence(
        "pole",
        uplink_up=None if link is None or doubted else link == 1,
        uplink_doubted=doubted,
        amperes_before=known.amperes if known else None,
        amperes_now=latest.value(_amperes(topology, root), now_s - FRESH_S),
        share_amperes=day.amperes if day else None,
        volts_before=known.volts if known else None,
        volts_minimum=feeder.minimum_volts if feeder else None,
        supply_volts_now=latest.value(Slot(supply, "supply_volts"), now_s - FRESH_S),
        own_supply=feeder is None,
        by_radio=budget.poles[root].optical is None,
        gasped=now_s - (gasps or {}).get(root, -math.inf) <= GASP_S,
    )


def restarted(pole: str, latest: Latest, before: Before | None, now_s: float) -> bool | None:
    """Did a pole's switch restart while it was silent? None where its uptime is not known on both sides."""
    now = latest.value(Slot(resources.switch(pole), "uptime_seconds"), now_s - FRESH_S)
    if now is None or before is None or before.uptime_s is None:
        return None
    return restarted_between(before.uptime_s, now, now_s - before.at_s)


SETTLE_WAIT_S = 60.0
"""How long a returned pole's alarm waits for the agent's uptime, which settles what it was (common practice)."""


def settlement(pole: str, latest: Latest, before: Before | None, watch: Watch, now_s: float) -> str | None:
    """The line that settles a silence that has ended, empty where nothing can; None: wait, it may yet be known."""
    known = restarted(pole, latest, before, now_s)
    recent = watch.back_since_s is not None and now_s - watch.back_since_s < SETTLE_WAIT_S
    if known is None and recent and before is not None and before.uptime_s is not None:
        return None
    return settle(known)
