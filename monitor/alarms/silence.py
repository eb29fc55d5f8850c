"""When is a pole silent, and which silence explains which: decided from what reachability rounds saw."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from monitor.alarms.topology import Topology
from monitor.facts.readings import State

MISSES_OF_TWO_KINDS = 2
MISSES_OF_ONE_KIND = 4
"""Rounds missed before a pole is called silent: fewer where answers of different kinds are missing, since an
agent alone may be deaf while its switch forwards. Common practice, no source."""

GRACE_S = 120.0
"""How long switches and cameras may take to start after what silenced them has returned (common practice)."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What one round saw of one place. None: not asked, so it says nothing."""

    place: str
    at_s: float
    agent: State | None = None
    refused: bool = False
    ping: State | None = None
    loads: Mapping[str, State] = field(default_factory=dict)
    uplink_up: bool | None = None

    @property
    def asked(self) -> bool:
        """Was anything there asked at all? Where we could not ask, or not hear in time, nothing was missed."""
        return self.refused or self.agent is not None or self.ping is not None or bool(self.loads)

    @property
    def answers(self) -> bool:
        """Did anything there answer, even with a refusal or with garbage?"""
        heard = [state for state in (self.agent, self.ping, *self.loads.values()) if state is not None]
        return self.refused or any(state is not State.SILENT for state in heard)

    @property
    def kinds_missed(self) -> int:
        """How many different kinds of sign are missing: agent, ping, loads, light at the far end's port."""
        return (
            (self.agent is State.SILENT)
            + (self.ping is State.SILENT)
            + (self.uplink_up is False)
            + (bool(self.loads) and all(state is State.SILENT for state in self.loads.values()))
        )


@dataclass(frozen=True, slots=True)
class Watch:
    """What is remembered of one place between rounds."""

    misses: int = 0
    kinds: int = 0
    answered_s: float | None = None
    back_since_s: float | None = None
    held_until_s: float = 0.0
    agent_ever: bool = False
    agent_misses: int = 0

    @property
    def doubtful(self) -> bool:
        """Was the last round missed?"""
        return self.misses > 0

    @property
    def silent(self) -> bool:
        """Missed often enough to say so."""
        return self.misses >= (MISSES_OF_TWO_KINDS if self.kinds >= 2 else MISSES_OF_ONE_KIND)


def look(watch: Watch, sight: Sight, uptime_s: float | None = None) -> Watch:
    """The watch after one more round. A place that is heard for the first time, and whose switch has run for long, has
    not come back just now: it was this program that was away. Where nothing was asked, nothing changes."""
    if not sight.asked:
        return watch
    agent_heard = sight.agent not in (None, State.SILENT)
    watch = replace(
        watch,
        agent_ever=watch.agent_ever or agent_heard,
        agent_misses=watch.agent_misses + 1 if sight.agent is State.SILENT else 0,
    )
    if sight.answers:
        was_away = watch.silent or watch.held_until_s > 0  # held: another's silence explained it until now
        back = watch.back_since_s if not was_away and watch.back_since_s is not None else sight.at_s
        if watch.answered_s is None and uptime_s is not None and uptime_s >= GRACE_S:
            back = sight.at_s - GRACE_S
        return replace(watch, misses=0, kinds=0, answered_s=sight.at_s, back_since_s=back, held_until_s=0.0)
    if sight.at_s < watch.held_until_s:
        return replace(watch, misses=1, kinds=0)
    return replace(watch, misses=watch.misses + 1, kinds=max(watch.kinds, sight.kinds_missed))


@dataclass(frozen=True, slots=True)
class Explained:
    """Which silent places stand for themselves, which are explained by another, and which must wait."""

    roots: Mapping[str, tuple[str, ...]]
    """Root resource (pole, supply/… or head-end) → poles that cannot be seen because of it."""
    because: Mapping[str, str]
    """Silent pole → the root that explains it."""
    waiting: frozenset[str]
    """Silent poles about which another pole's next round decides."""


def explain(topology: Topology, watches: Mapping[str, Watch]) -> Explained:
    """Find the roots of all silences: head-end before supply before pole before what lies behind it."""
    silent = {pole for pole in topology.above if watches[pole].silent}
    # What has not been asked yet, after a start, speaks against nothing either.
    missed = {pole for pole in topology.above if watches[pole].doubtful or watches[pole].answered_s is None}
    everything = set(topology.above)
    headend = watches[topology.headend]
    if headend.doubtful and missed == everything:
        if headend.agent_misses >= MISSES_OF_TWO_KINDS and silent == everything:
            return Explained(
                {topology.headend: tuple(sorted(silent))}, dict.fromkeys(silent, topology.headend), frozenset()
            )
        return Explained({}, {}, frozenset(silent))
    because: dict[str, str] = {}
    waiting: set[str] = set()
    for supply in sorted(set(topology.supply.values())):
        fed = set(topology.fed_by(supply))
        heads = {topology.feeder_head(pole) for pole in fed}
        if len(heads) < 2 or not fed <= missed:
            continue
        if fed <= silent:
            because |= dict.fromkeys(fed, f"supply/{supply}")
        else:
            waiting |= fed & silent
    for pole in sorted(silent - set(because) - waiting):
        above = [place for place in topology.way(pole) if place in missed]
        if above and not set(above) <= silent:
            waiting.add(pole)
        elif above:
            because[pole] = above[-1]
    because = {pole: because.get(root, root) for pole, root in because.items()}
    roots = sorted((silent - set(because) - waiting) | set(because.values()))
    return Explained({root: _impacted(topology, root, because) for root in roots}, because, frozenset(waiting))


def _impacted(topology: Topology, root: str, because: Mapping[str, str]) -> tuple[str, ...]:
    """What a root silences, and all that lies behind that, whether it has been missed already or not."""
    direct = [pole for pole, why in because.items() if why == root]
    behind = [pole for place in (root, *direct) for pole in topology.behind(place)]
    return tuple(sorted({*direct, *behind} - {root}))


def hold_explained(
    topology: Topology, watches: Mapping[str, Watch], before: Explained, now: Explained, now_s: float
) -> dict[str, Watch]:
    """Give what a root explained until now time to start, once that root is gone; and what lies behind a place that
    has only just come back, as long as that place's own loads, a radio among them, have."""
    still = {*now.roots, *now.because, *now.waiting}  # a root that follows from another now, or waits, is not back
    free = {pole for root, impacted in before.roots.items() if root not in still for pole in impacted}
    # What now seems to follow from one that has only just been set free is as free as that one.
    released = {pole for pole in free if now.because.get(pole, pole) in free}
    held: dict[str, Watch] = {}
    for place, watch in watches.items():
        if place in released and watch.doubtful:
            watch = replace(watch, misses=1, kinds=0, held_until_s=now_s + GRACE_S)
        if watch.doubtful and watch.held_until_s > now_s:
            backs = [watches[above].back_since_s for above in topology.way(place)]
            until_s = max((back + GRACE_S for back in backs if back is not None), default=0.0)
            watch = replace(watch, held_until_s=max(watch.held_until_s, until_s))
        held[place] = watch
    return held


def overshadowed(topology: Topology, watches: Mapping[str, Watch], explained: Explained) -> dict[str, str]:
    """Resources whose readings a silence explains: resource → the root, or empty while that is undecided.

    A dead pole's laser is dark at the port towards it, and a dead supply has no volts: neither is a fault of
    its own.
    """
    found: dict[str, str] = {}
    for pole, port in topology.uplink.items():
        if watches[pole].doubtful:
            root = explained.because.get(pole) or (pole if pole in explained.roots else "")
            found[port] = found[port.replace("/port/", "/optic/")] = root
            supply = f"supply/{topology.supply[pole]}"
            found[supply] = supply if supply in explained.roots else found.get(supply, "")
    return found
