"""A port that is switched off and on: its device loses its power, and what hung starts anew."""

from monitor.facts.states import TruthValue
from monitor.simulation.mib import Oid
from monitor.simulation.world import World

_ADMIN = (1, 3, 6, 1, 2, 1, 105, 1, 1, 1, 3, 1)
_HEALS = ("camera-hung", "camera-frozen")


def switched(world: World, place: str, name: Oid, value: int) -> bool:
    """Set pethPsePortAdminEnable of a pole's port; False for whatever else, and for what is no TruthValue."""
    if name[:-1] != _ADMIN or value not in frozenset(TruthValue):
        return False
    found = [d for d in world.places[place].devices.values() if d.load.port == str(name[-1])]
    if not found:
        return False
    device, port = found[0], world.places[place].ports[found[0].load.port]
    was_off, port.off = port.off, value == TruthValue.FALSE
    if was_off and not port.off:
        device.started_s = world.now_s
        if device.victim:
            world.faults = [
                f.repaired(world.now_s) if f.pole == place and f.name in _HEALS else f for f in world.faults
            ]
    return True
