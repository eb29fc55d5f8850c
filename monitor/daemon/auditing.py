"""The audit: each switch's own tables against the plan, regularly and when a link has changed."""

import logging

from monitor.alarms.book import Condition, Key
from monitor.alarms.inventory import INVENTORY
from monitor.daemon.asking import Asking
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.daemon.surveying import COLUMNS, read_tables
from monitor.devices.found import Difference, Found, SwitchFound, compare, first_seen
from monitor.facts import resources

log = logging.getLogger(__name__)

STATION = "station"
"""Kind of the event by which a hardware address is remembered as right at a port."""
_TYPES = {
    "unknown": "device-unknown",
    "moved": "device-moved",
    "duplicate": "address-claimed-twice",
    "vlan": "vlan-beside-plan",
    "speed": "port-slow",
    "class": "class-beside-plan",
}


class Auditing:
    """Audits over one memory. What was found at a switch is kept until it is asked again."""

    def __init__(self, memory: Memory, asking: Asking, keeper: Keeper, rounds: Rounds, clock: Clock) -> None:
        self._memory, self._asking, self._keeper = memory, asking, keeper
        self._rounds, self._clock = rounds, clock
        self._raised: set[Key] = set()

    async def audit(self, place: str) -> None:
        """Read one switch's tables, and judge all that is known by now."""
        device = self._memory.design.switch_of(place)
        table = await self._asking.tables(device, COLUMNS)
        if table is None:
            return  # silence is for reachability rounds to say
        read = self._memory.found[place] = read_tables(device, table)
        self._memory.audited[place] = self._clock.wall_s()
        seen = frozenset(read.ports[one.row] for one in read.stations if one.row in read.ports)
        self._memory.stations[place] = (self._clock.wall_s(), seen)
        self._memory.more_behind[place] = _more_behind(read)
        found = Found(self._memory.found)
        await self._remember(found)
        differences = compare(self._memory.plan, found, frozenset(self._memory.known))
        conditions = {key: condition for key, condition in map(_condition, differences) if condition is not None}
        gone = [Condition(key, None) for key in self._standing() if key not in conditions]
        await self._rounds.step([*conditions.values(), *gone])

    async def _remember(self, found: Found) -> None:
        """The first device at a port whose load has no hardware address in the plan is taken as that load."""
        for port, mac in first_seen(self._memory.plan, found, frozenset(self._memory.known)):
            await accept(self._memory, self._keeper, port, mac, self._clock.wall_s())

    def _standing(self) -> list[Key]:
        kinds = set(_TYPES.values())
        return [alarm.key for alarm in self._memory.book.raised() if alarm.key.type in kinds]


def _more_behind(read: SwitchFound) -> frozenset[str]:
    """Ports behind which a switch says its name (LLDP), or more than one address was learnt."""
    behind: dict[str, set[str]] = {}
    for one in read.stations:
        behind.setdefault(read.ports.get(one.row, ""), set()).add(one.mac)
    named = {read.ports.get(one.local_port, "") for one in read.neighbours}
    return frozenset({port for port, macs in behind.items() if len(macs) > 1} | named) - {""}


async def accept(memory: Memory, keeper: Keeper, port: str, mac: str, now_s: float) -> None:
    """Take a hardware address as right at a port from now on."""
    memory.known.add((port, mac))
    log.info("%s: %s is known there from now on", port, mac)
    await keeper.event(now_s, STATION, port, mac)


def _condition(one: Difference) -> tuple[Key, Condition | None]:
    kind = _TYPES.get(one.kind)
    key = Key(one.resource, kind or "", one.mac)
    if kind is None or not resources.place_of(one.resource):
        return key, None
    return key, Condition(key, INVENTORY[kind].severity, one.words)
