"""What a run knows at its beginning: from the history, or from the memory under the plan before."""

import logging

from monitor.daemon.auditing import STATION
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import OPTIC
from monitor.plan.renames import renames

log = logging.getLogger(__name__)


async def remembered(design: Design, keeper: Keeper, answer_key: bytes, now_s: float) -> Memory:
    """Memory seeded from history: alarms that stand, who was told, the newest readings.

    Where nothing can be read now it is empty, until ``caught_up`` has been called.
    """
    memory = Memory(design, answer_key=answer_key)
    if not keeper.readable:
        return memory
    for readings in await keeper.ask(lambda store: store.newest(now_s - 86_400)):
        memory.latest.take(readings)
    alarms = await keeper.ask(lambda store: store.alarms())
    memory.book = type(memory.book)({alarm.key: alarm for alarm in alarms})
    memory.told = await keeper.ask(lambda store: store.told())
    memory.called = await keeper.ask(lambda store: store.called())
    memory.shelves = await keeper.ask(lambda store: store.shelves())
    memory.known = {(port, mac) for _, port, mac in await keeper.ask(lambda store: store.notes(STATION))}
    memory.serials = {optic: serial for _, optic, serial in await keeper.ask(lambda store: store.notes(OPTIC))}
    return memory


async def caught_up(memory: Memory, keeper: Keeper) -> None:
    """The history can be read only now: what stood before is added to what has happened since the start."""
    alarms = await keeper.ask(lambda store: store.alarms())
    memory.book = type(memory.book)({alarm.key: alarm for alarm in alarms} | dict(memory.book.alarms))
    memory.told = await keeper.ask(lambda store: store.told()) | memory.told
    memory.called = await keeper.ask(lambda store: store.called()) | memory.called
    memory.shelves = await keeper.ask(lambda store: store.shelves())
    memory.known |= {(port, mac) for _, port, mac in await keeper.ask(lambda store: store.notes(STATION))}
    serials = {optic: serial for _, optic, serial in await keeper.ask(lambda store: store.notes(OPTIC))}
    memory.serials = serials | memory.serials
    log.info("the history can be read now; what stood before is known again")


async def renamed(design: Design, keeper: Keeper) -> bool:
    """What has another name in the plan goes on under it; whether anything did."""
    pairs = list(renames(design.plan))
    if pairs and not keeper.writable:
        await keeper.owe(lambda store: store.rename(pairs))
        return False
    found = await keeper.ask(lambda store: store.rename(pairs)) if pairs else 0
    if found:
        names = ", ".join(f"{old} is {new}" for old, new in pairs)
        log.info("%d series and alarms go on under new names: %s", found, names)
    return bool(found)


def under(memory: Memory, design: Design) -> Memory:
    """What is known, under another plan."""
    watches = {place: watch for place, watch in memory.watches.items() if place in design.places}
    return Memory(
        design,
        memory.latest,
        watches,
        margins={},
        book=memory.book,
        before=memory.before,
        told=memory.told,
        called=memory.called,
        answer_key=memory.answer_key,
        shelves=memory.shelves,
        known=memory.known,
        norms=memory.norms,
        serials=memory.serials,
        visits=memory.visits,
        record=memory.record,
    )
