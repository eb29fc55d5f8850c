"""What has happened at the site before the demo begins: fourteen months of wear, storms and visits."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from monitor.facts.readings import Round
from monitor.plan.parts import Plan
from monitor.simulation.columns import Columns, moments
from monitor.simulation.faults import Fault, Visit
from monitor.simulation.world import World

DAY_S = 86_400.0
DAYS = 426
AROUND_S = 2 * 3600.0
"""By the minute only so long on either side of what happened suddenly: the demo must be ready soon."""


@dataclass(frozen=True)
class Past:
    """Faults that began in the past (some are still there), and the visits that ended or began them."""

    faults: tuple[Fault, ...] = ()
    visits: tuple[Visit, ...] = ()

    def standing(self, at_s: float) -> list[Fault]:
        """What of it is still wrong."""
        faults = list(self.faults)
        for visit in sorted(self.visits, key=lambda visit: visit.at_s):
            if visit.at_s <= at_s:
                faults = visit.applied(faults)
        return [fault for fault in faults if fault.end_s > at_s]


def tarrow_downs(plan: Plan, now_s: float) -> Past:
    """The story behind the demo; of each line only as much as the plan has poles for it."""
    poles = {pole.name for pole in plan.poles}

    def ago(days: float) -> float:
        return now_s - days * DAY_S

    faults = (
        Fault("connector-creep", "creek", ago(210), ramp_s=300 * DAY_S, severity=0.45),
        Fault("joint-creep", "yards", ago(150), ramp_s=240 * DAY_S, severity=1.6),
        Fault("battery-aged", "ridge", ago(400), ramp_s=700 * DAY_S, severity=0.7),
        Fault("lightning", "woolshed", ago(300), ago(298.6)),
        Fault("dirty-connector", "yards", ago(352), severity=0.25),
        Fault("camera-hung", "yards", ago(96), ago(95.4)),
        Fault("supply-lost", "creek", ago(41.3), ago(41.22)),
    )
    visits = (
        Visit(ago(340.2), "yards", "cleaned both ends of the fibre, covers put back", repairs=("dirty-connector",)),
        Visit(ago(298.6), "woolshed", "replaced the surge protectors and the camera's cable after the storm"),
        Visit(ago(260.4), "woolshed", "put in a new optic, the old one kept as a spare", new_optic=True),
    )
    return Past(
        tuple(fault for fault in faults if fault.pole in poles),
        tuple(visit for visit in visits if visit.pole in poles),
    )


def past(
    plan: Plan, seed: int, until_s: float, story: Past, days: float = DAYS, note: Callable[[Visit], None] | None = None
) -> Iterator[Sequence[Round]]:
    """Rounds of all devices, oldest first, up to ``until_s`` (UTC seconds); ``note`` hears of each visit in its time.

    By the hour; by the minute around what began suddenly and in the last week.
    """
    start_s = until_s - days * DAY_S
    world = World(plan, seed, start_s)
    world.faults = list(story.faults)
    hourly, minutes = Columns(world, "hourly"), Columns(world)
    visits = sorted(story.visits, key=lambda visit: visit.at_s)
    sudden = [fault.start_s for fault in story.faults if fault.start_s > start_s and fault.level(fault.start_s) > 0.01]
    before_s = start_s
    for at_s in moments(start_s, until_s, sudden, AROUND_S):
        while visits and visits[0].at_s <= at_s:
            visit = visits.pop(0)
            world.visited(visit)
            if note is not None:
                note(visit)
        world.step(at_s)
        yield (minutes if at_s - before_s <= 60 else hourly).rounds()
        before_s = at_s
