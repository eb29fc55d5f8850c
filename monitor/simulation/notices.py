"""Notifications of the simulated switches: what changed since the last step, as SNMPv2 traps (RFC 3416, 3418)."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from monitor.simulation.mib import port_names
from monitor.simulation.world import World

COLD_START, LINK_DOWN, LINK_UP = 1, 3, 4


@dataclass
class Notices:
    """Watches a world; what has changed is a notification of the switch that saw it."""

    world: World
    _links: dict[tuple[str, str], bool] = field(default_factory=dict)
    _started: dict[str, float] = field(default_factory=dict)

    def changed(self) -> Iterator[tuple[str, int, int | None]]:
        """(place, trap, row) of all that has changed since the last call, where the place can still speak."""
        world = self.world
        for place, state in world.places.items():
            before = self._started.get(place)
            if state.agent and before is not None and state.started_s > before:
                yield place, COLD_START, None
            if state.agent or before is None:
                self._started[place] = state.started_s
            for row, port in enumerate(port_names(world, place), 1):
                link = state.ports[port].link
                was = self._links.get((place, port))
                self._links[place, port] = link
                if was is not None and link is not was and state.agent:
                    yield place, LINK_UP if link else LINK_DOWN, row + state.renumbered
