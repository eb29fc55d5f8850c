"""The whole round of a thousand switches: ask, decode, keep, judge, step; one process, its CPU share of one core."""

import asyncio
import json
import resource
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from monitor.daemon.asking import Asking
from monitor.daemon.clock import SystemClock
from monitor.daemon.design import Design
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.rounds import Rounds
from monitor.daemon.schedule import TICK_S
from monitor.devices.ask.snmp import Community, User
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.devices.decode.raw import Oid, Raw, Want, number
from monitor.devices.decode.saying import saying
from monitor.devices.questions import MEASURE, Device, script
from monitor.facts.readings import Slot
from monitor.margins.limits import Limit
from monitor.plan.datasheets import DeviceSheet
from tests.bench import snmp_load as load

_WRITE_S = 15.0
_BY_COLUMN = {
    (2, 8): "link_state",
    (2, 13): "in_discard_frames",
    (2, 14): "in_error_frames",
    (2, 19): "out_discard_frames",
    (2, 20): "out_error_frames",
    (31, 3): "in_broadcast_frames",
    (31, 6): "in_octets",
    (31, 10): "out_octets",
    (31, 15): "speed_megabits_per_s",
    (105, 6): "poe_port_state",
    (105, 10): "poe_class_state",
    (105, 12): "power_denied_count",
    (105, 13): "overload_count",
    (105, 14): "short_count",
}


Convert = Callable[[Raw], float]


def _anything(_: Raw) -> float:
    return 1.0


def wants(place: str) -> list[Want]:
    """571 wants: those columns that farpole knows by their quantities, the others as counters of their own."""
    light: Convert = saying("rx_dbm", "number", "dbm", 0.001)
    made = []
    for oid in load.OIDS:
        table, column, row = oid[6], oid[-2] if table_of(oid) != 105 else oid[-3], oid[-1]
        slot = Slot(f"{place}/port/{row}", _BY_COLUMN.get((table, column), "topology_change_count"))
        convert: Convert = number
        if table == 99 and column == 4 and row % 4 < 2:
            slot, convert = Slot(f"{place}/optic/{row}", "rx_dbm"), light
        elif slot.quantity == "topology_change_count":
            slot, convert = Slot(f"{place}/x{table}.{column}/{row}", "topology_change_count"), _anything
        made.append(Want(oid, slot, convert))
    return made


def table_of(oid: Oid) -> int:
    """Which group below mib-2 an object belongs to."""
    return oid[6]


def limits(place: str) -> list[Limit]:
    """Eight optics' levels with limits."""
    return [
        Limit(Slot(f"{place}/optic/{1000 + i}", "rx_dbm"), -19.5, -3.0, 3.0, 0.5, (-14.0, -6.0), "bench")
        for i in range(1, 17)
        if (1000 + i) % 4 < 2
    ]


async def _open(count: int, v3: bool, folder: Path) -> tuple[Rounds, Keeper, Asking, list[Device]]:
    """The daemon's own parts over a design whose limits are the bench's, and the devices."""
    plan, sheets = load_plan(shipped() / "tarrow-downs.yaml")
    names = [f"pole-{i}" for i in range(count)]
    design = replace(Design.of(plan, sheets), limits={limit.slot: limit for name in names for limit in limits(name)})
    clock, memory = SystemClock(), Memory(design)
    keeper = Keeper(folder / "farpole.sqlite", clock)
    await keeper.open()
    credentials: dict[str, Community | User] = {"all": load.USER if v3 else load.COMMUNITY}
    asking = Asking(AnyAsker(), credentials, clock, may_ping=False)
    rows = {entry: tuple(indexes) for entry, indexes in load.ROWS.items()}
    devices = []
    for name, agent in zip(names, load.agents(count, v3), strict=True):
        device = Device(f"{name}/switch", name, agent.address, agent.port, "all", DeviceSheet(title="bench"))
        memory.scripts[device.name] = {MEASURE: script(device.name, MEASURE, wants(name), rows)}
        memory.learnt.add(device.name)
        devices.append(device)
    return Rounds(memory, asking, keeper, clock, lambda: None), keeper, asking, devices


async def whole(count: int, period_s: float, v3: bool, folder: Path) -> dict[str, float]:
    """Every device once a period, as the daemon does it; CPU of the process in percent of a core."""
    rounds, keeper, asking, devices = await _open(count, v3, folder)
    for i in range(0, count, 20):
        await asyncio.gather(*(rounds.ask(device, MEASURE) for device in devices[i : i + 20]))
    await keeper.flush()
    loop, used = asyncio.get_running_loop(), resource.getrusage(resource.RUSAGE_SELF)
    start, written, tasks = loop.time(), loop.time(), list[asyncio.Task[None]]()
    while loop.time() < start + period_s:
        due = min(count, int((loop.time() - start) / period_s * count) + 1)
        tasks += [loop.create_task(rounds.ask(device, MEASURE)) for device in devices[len(tasks) : due]]
        if loop.time() - written > _WRITE_S:
            written = loop.time()
            await keeper.flush()
        await asyncio.sleep(TICK_S)
    await asyncio.gather(*tasks)
    await keeper.flush()
    now = resource.getrusage(resource.RUSAGE_SELF)
    cpu_s, wall_s = now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime, loop.time() - start
    newest = [rounds.memory.latest.newest(device.name, MEASURE) for device in devices]
    seen = sum(one.states.count(0) for one in newest if one is not None)
    asking.close()
    await keeper.close()
    return {"core_percent": 100 * cpu_s / wall_s, "seen": seen, "alarms": len(rounds.memory.book.alarms)}


def main(words: list[str]) -> None:
    """``v2c 1000 60``."""
    with tempfile.TemporaryDirectory() as folder:
        print(json.dumps(asyncio.run(whole(int(words[1]), float(words[2]), words[0] == "v3", Path(folder)))))


if __name__ == "__main__":
    main(sys.argv[1:])
