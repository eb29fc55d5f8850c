"""The plan as a tree: what lies behind what, by path and by power."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from monitor.facts import resources
from monitor.plan.parts import Plan, Pole


@dataclass(frozen=True, slots=True)
class Topology:
    """Who is reached through whom, and who is fed by what. Names of places and supplies."""

    headend: str
    above: Mapping[str, str]
    """Pole → the place that it is reached through (a pole or the head-end)."""
    uplink: Mapping[str, str]
    """Pole → the port resource at the place above it."""
    fed_from: Mapping[str, str | None]
    """Pole → the pole that its feeder goes on from; None where it starts at the supply."""
    supply: Mapping[str, str]
    """Pole → the supply that feeds it in the end."""

    def behind(self, place: str) -> list[str]:
        """Poles that are reached through ``place``, near and far."""
        return [pole for pole in self.above if place in self.way(pole)]

    def way(self, pole: str) -> Iterator[str]:
        """Places between a pole and the head-end, nearest to the pole first, the head-end last."""
        while pole in self.above:
            pole = self.above[pole]
            yield pole

    def feeder_head(self, pole: str) -> str:
        """The first pole on the feeder that feeds this one: where its amperes are metered."""
        while (start := self.fed_from.get(pole)) is not None:
            pole = start
        return pole

    def fed_by(self, supply: str) -> list[str]:
        """Poles that a supply feeds in the end."""
        return [pole for pole, name in self.supply.items() if name == supply]


def topology_of(plan: Plan) -> Topology:
    """The trees of a plan that read_plan has accepted."""
    radios = {load.name: (pole.name, load.port) for pole in plan.poles for load in pole.loads}
    above, uplink = {}, {}
    for pole in plan.poles:
        if pole.fibre:
            above[pole.name], port = pole.fibre.start.pole or plan.headend.name, pole.fibre.start.port
        elif pole.reached_by:
            above[pole.name], port = radios[pole.reached_by.radio]
        uplink[pole.name] = resources.port(above[pole.name], port)
    fed_from = {pole.name: pole.feeder.start if pole.feeder else None for pole in plan.poles}
    supply = {pole.name: _supply_of(plan, pole) for pole in plan.poles}
    return Topology(plan.headend.name, above, uplink, fed_from, supply)


def _supply_of(plan: Plan, pole: Pole) -> str:
    while pole.feeder and pole.feeder.start:
        pole = plan.pole(pole.feeder.start)
    return pole.supply or (pole.feeder.supply if pole.feeder else None) or ""
