"""kill -9 at random moments: python -m tests.bench.survive [--kills 100] [--seed 1]

A simulated site, a daemon on it that is killed again and again while rounds, notes, alarms and callouts go on. One JSON
line: what was acknowledged and is there afterwards, what is missing, what was sent twice, how long a start took.
"""

import argparse
import asyncio
import collections
import json
import random
import statistics
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import Any

from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import lay_out, open_site
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.lock import HISTORY
from monitor.history import backup
from monitor.history.store import Store
from monitor.simulation.receiver import Receiver
from tests.whole.conftest import FAST, Farm

LONGEST_LIFE_S = 10.0
CALLED_OUT_S = 12.0  # each outage has one life that is long enough for its callout, and it ends as suddenly


async def killed(kills: int, seed: int) -> dict[str, Any]:
    """All of it."""
    chance, clock, received = random.Random(seed), SystemClock(), list[tuple[str, str]]()
    plan, _ = load_plan(shipped() / "tarrow-downs.yaml")
    receiver = Receiver(lambda title, body: received.append((title, body)))
    await receiver.open()
    site = await open_site(plan, "farm-word", seed, clock.wall_s(), FAST)
    running = asyncio.create_task(site.run(clock.wall_s, clock.sleep))
    with tempfile.TemporaryDirectory() as name:
        farm = Farm(site, lay_out(Path(name), site.plan, "farm-word", receiver.port, None), received)
        noted, starts = list[str](), list[float | None]()
        for i in range(kills):
            starts.append(await life(farm, chance, i, noted))
        seen = told(farm, noted, received)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    site.close()
    receiver.close()
    return {
        "bench": "survive",
        "kills": kills,
        "start_s": round(statistics.median(one for one in starts if one is not None), 2),
        **seen,
    }


async def life(farm: Farm, chance: random.Random, number: int, noted: list[str]) -> float | None:
    """One life of the daemon, ended at a random moment; every third brings a fault or takes it away."""
    began_s = time.monotonic()
    daemon = await farm.daemon("off", asyncio.subprocess.DEVNULL)
    if number % 3 == 0:
        farm.repaired() if number % 2 else farm.breaks("feeder-open", "creek")
    if number % 4 == 3:  # while it starts
        await asyncio.sleep(chance.uniform(0.05, 1.5))
        await ended(daemon)
        return None
    await farm.until(partial(up, farm))
    up_s, ends_s = time.monotonic() - began_s, time.monotonic() + chance.uniform(0.0, LONGEST_LIFE_S)
    if number % 6 == 1:
        ends_s = time.monotonic() + CALLED_OUT_S
    asked = None
    while time.monotonic() < ends_s:
        text = f"note {number} {time.monotonic():.3f}"
        asked = asyncio.create_task(farm.ask("note", "creek", text, "--by", "jo"))
        await asyncio.wait([asked], timeout=max(0.01, ends_s - time.monotonic()))
        if asked.done() and asked.result()[0] == 0:
            noted.append(text)
    await ended(daemon)
    if asked is not None and (await asked)[0] == 0 and text not in noted:
        noted.append(text)  # it was acknowledged in the very moment
    return up_s


async def up(farm: Farm) -> bool:
    return (await farm.ask("status"))[0] == 0


async def ended(daemon: asyncio.subprocess.Process) -> None:
    daemon.kill()
    await daemon.wait()


def told(farm: Farm, noted: list[str], received: list[tuple[str, str]]) -> dict[str, Any]:
    """What was acknowledged, and what of it is there; messages by their whole text, which holds the moment."""
    with Store(farm.settings.data / HISTORY) as store:  # its opening takes in what the last life left beside the file
        kept = collections.Counter(one.text for one in store.repairs())
        changes = store.changes(0.0, 100_000)
    whole = backup.verify(farm.settings.data / HISTORY)
    sent = collections.Counter(received)
    return {
        "acknowledged": len(noted),
        "missing": sum(text not in kept for text in noted),
        "kept_twice": sum(count > 1 for count in kept.values()),
        "messages": len(received),
        "sent_twice": sum(count - 1 for count in sent.values()),
        "alarm_changes": len(changes),
        "rounds": whole.rows["round_row"],
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print(json.dumps(asyncio.run(killed(given.kills, given.seed))))
