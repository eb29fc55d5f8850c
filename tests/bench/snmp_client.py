"""One measured client run: burst, paced, memory. Prints a JSON object; meant to be pinned to one core."""

import asyncio
import json
import resource
import statistics
import sys
import time
from typing import Any

from monitor.daemon.schedule import TICK_S
from monitor.devices.ask.snmp import Agent, Outcome
from monitor.devices.ask.snmp_fast import FastAsker
from monitor.devices.ask.snmp_round import Shape, fetch, shape
from tests.bench import snmp_load as load


def _cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


async def _rounds(asker: FastAsker, agent: Agent, planned: Shape, times: int, seconds: list[float]) -> int:
    objects = 0
    for _ in range(times):
        began = time.perf_counter()
        came = await fetch(asker, agent, planned)
        seconds.append(time.perf_counter() - began)
        if came.outcome is not Outcome.OK:
            raise SystemExit(f"{agent.address}: {came.outcome} {came.detail}")
        objects += len(came.values) - came.values.count(None)
    return objects


async def burst(v3: bool, count: int, times: int) -> dict[str, Any]:
    """``count`` agents at once, each ``times`` rounds."""
    asker, planned = FastAsker(), shape(load.OIDS, load.ROWS)
    agents = load.agents(count, v3)
    await asyncio.gather(*(_rounds(asker, agent, planned, 1, []) for agent in agents))
    began, wall = _cpu_s(), time.perf_counter()
    objects = sum(await asyncio.gather(*(_rounds(asker, agent, planned, times, []) for agent in agents)))
    used, wall = _cpu_s() - began, time.perf_counter() - wall
    asker.close()
    return {"us_per_vb": used / objects * 1e6, "objects": objects, "wall_s": wall, "pdus": len(planned.pdus)}


async def paced(v3: bool, count: int, period_s: float, deaf: int) -> dict[str, Any]:
    """``count`` agents spread over a period; the last ``deaf`` of them never answer."""
    asker, planned = FastAsker(), shape(load.OIDS, load.ROWS)
    agents, loop = load.agents(count, v3), asyncio.get_running_loop()
    seconds: list[float] = []
    silent = 0
    slow = asyncio.Semaphore(4)

    async def one(agent: Agent, living: bool, times: list[float]) -> None:
        nonlocal silent
        if not living:
            async with slow:
                await fetch(asker, Agent(agent.address, agent.port, agent.credentials, 1.0, 0), planned)
            return
        began = time.perf_counter()
        came = await fetch(asker, agent, planned)
        times.append(time.perf_counter() - began)
        silent += came.outcome is not Outcome.OK or None in came.values

    living = agents[: count - deaf]
    for i in range(0, len(living), 20):  # v3 keys and engines, outside the measurement as in the reference
        await asyncio.gather(*(one(agent, True, []) for agent in living[i : i + 20]))
    began, start = _cpu_s(), loop.time()
    tasks: list[asyncio.Task[None]] = []
    while loop.time() < start + period_s:  # as the daemon's schedule does: what is due starts at a tick
        due = min(count, int((loop.time() - start) / period_s * count) + 1)
        for i in range(len(tasks), due):
            tasks.append(loop.create_task(one(agents[i], i < count - deaf, seconds)))
        await asyncio.sleep(TICK_S)
    used, wall = _cpu_s() - began, loop.time() - start
    for task in tasks:
        task.cancel()
    asker.close()
    seconds.sort()
    return {
        "core_percent": 100 * used / wall,
        "p99_ms": 1000 * seconds[int(0.99 * len(seconds))],
        "p50_ms": 1000 * statistics.median(seconds),
        "false_silence": silent,
        "us_per_vb": used / (len(living) * len(load.OIDS)) * 1e6,
    }


async def memory(requests: int) -> dict[str, Any]:
    """Resident size before and after many requests [kB]."""
    asker, planned = FastAsker(), shape(load.OIDS[:40], {})
    agents = load.agents(200, v3=False)

    async def some(times: int) -> None:
        await asyncio.gather(*(_rounds(asker, agent, planned, times, []) for agent in agents))

    await some(10)
    before = _resident_kb()
    await some(requests // len(agents) // len(planned.pdus))
    after = _resident_kb()
    asker.close()
    return {"before_kb": before, "after_kb": after}


def _resident_kb() -> int:
    with open("/proc/self/status", encoding="ascii") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))


def main(words: list[str]) -> None:
    """``burst v2c 20 50``, ``paced v3 1000 60 0``, ``memory 100000``."""
    if words[0] == "burst":
        made = asyncio.run(burst(words[1] == "v3", int(words[2]), int(words[3])))
    elif words[0] == "paced":
        made = asyncio.run(paced(words[1] == "v3", int(words[2]), float(words[3]), int(words[4])))
    else:
        made = asyncio.run(memory(int(words[1])))
    print(json.dumps(made))


if __name__ == "__main__":
    main(sys.argv[1:])
