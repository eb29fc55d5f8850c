"""A site and its daemon's rounds by the hand clock: hours in seconds."""

from collections.abc import Callable, Mapping

from monitor.alarms.messages import NO_OTHERS
from monitor.daemon.design import Design
from monitor.daemon.replaying import Replaying
from monitor.facts.words import Tongue
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.simulation.world import World


class FastFarm(Replaying):
    """A site and its daemon's rounds; ``at`` moves both to a time."""

    def __init__(
        self,
        plan: Plan,
        sheets: Sheets,
        seed: int,
        start_s: float,
        tongues: Mapping[str, Tongue] = NO_OTHERS,
        changed: Callable[[], None] = lambda: None,
    ) -> None:
        super().__init__(World(plan, seed, start_s), Design.of(plan, sheets, tongues), changed)

    async def at(self, now_s: float, streams: bool = True) -> None:
        """Everything that a round does, at one moment."""
        self.world.step(now_s)
        await self.look(streams)
