"""Names that places, loads and supplies had before, so that their history goes on under the new ones."""

from collections.abc import Iterator

from monitor.facts import resources
from monitor.plan.parts import Plan


def renames(plan: Plan) -> Iterator[tuple[str, str]]:
    """(old resource, new resource), in the order in which they must be given: places first, then what is in them."""
    for pole in plan.poles:
        if pole.was is not None:
            yield pole.was, pole.name
    for pole in plan.poles:
        for load in pole.loads:
            if load.was is not None:
                yield resources.load(pole.name, load.was), resources.load(pole.name, load.name)
    for supply in plan.supplies:
        if supply.was is not None:
            yield resources.supply(supply.was), resources.supply(supply.name)
