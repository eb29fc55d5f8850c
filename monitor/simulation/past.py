"""What has happened at the site before the demo begins: fourteen months of wear, storms and visits."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from monitor.facts.readings import Round
from monitor.plan.parts import Plan
from monitor.simulation.columns import Columns, moments
from monitor.simulation.faults import Fault, Visit
from monitor.simulation.world import World

DAY_S, MINUTE_S = 86_400.0, 60.0
DAYS = 426
SUDDEN_LEVEL = 0.01
"""A fault that begins with less than this creeps."""
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

    def marks(self, from_s: float, to_s: float) -> list[float]:
        """When something begins or ends from one moment to the next, or somebody is there (UTC seconds)."""
        sudden = [fault for fault in self.faults if fault.level(fault.start_s) > SUDDEN_LEVEL]
        found = [at_s for fault in sudden for at_s in (fault.start_s, fault.end_s)]
        found += [visit.at_s for visit in self.visits]
        return sorted(at_s for at_s in found if from_s < at_s < to_s)


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
    world: World, until_s: float, story: Past, note: Callable[[Visit], None] = lambda visit: None
) -> Iterator[Sequence[Round]]:
    """Rounds of all devices as a world goes on to ``until_s`` (UTC seconds); ``note`` hears of each visit in its time.

    By the hour; by the minute around what began or ended suddenly, around visits, and in the last week.
    """
    start_s = world.now_s
    world.faults = list(story.faults)
    hourly, minutes = Columns(world, "hourly"), Columns(world)
    visits = sorted(story.visits, key=lambda visit: visit.at_s)
    sudden = story.marks(start_s, until_s)
    before_s = start_s
    for at_s in moments(start_s, until_s, sudden, AROUND_S):
        while visits and visits[0].at_s <= at_s:
            visit = visits.pop(0)
            world.visited(visit)
            note(visit)
        world.step(at_s)
        yield (minutes if at_s - before_s <= MINUTE_S else hourly).rounds()
        before_s = at_s
