"""kill -9 at random moments: python -m tests.bench.survive [--kills 100] [--seed 1] [--hasty]

A simulated site, a daemon on it that is killed again and again while rounds, notes, acts, alarms and callouts go on.
One JSON line: of what was acknowledged, by its id, what is missing and what is there twice; of the callouts, by
their id in the outbox, which were lost and which went twice; how long it takes from
the start of the process to its first answer.
``--hasty`` does the same with a daemon that acknowledges before it writes: then some must be missing.
"""

import argparse
import asyncio
import collections
import json
import random
import sqlite3
import statistics
import tempfile
import time
from contextlib import closing, suppress
from dataclasses import dataclass, field
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
STARTS_WITHIN_S = 30.0
BETWEEN_S = 0.01


class Hasty(Farm):
    """The same site with a daemon that acknowledges before it writes."""

    def command(self, *arguments: str) -> list[str]:
        python, dash_m, _, *more = super().command(*arguments)
        return [python, dash_m, "tests.bench.hasty", *more]


async def said(data: Path, method: str, path: str, body: dict[str, Any] | None = None) -> int:
    """The HTTP status (RFC 9112) that the daemon itself answers on its command socket; 0 where none comes."""
    text = b"" if body is None else json.dumps(body).encode()
    head = f"{method} /api{path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: {len(text)}\r\n"
    kind = "Content-Type: application/json\r\n" if text else ""
    writer: asyncio.StreamWriter | None = None
    try:
        reader, writer = await asyncio.open_unix_connection(data / "farpole.sock")
        writer.write(f"{head}{kind}\r\n".encode() + text)
        answer = (await reader.readline()).split()
        return int(answer[1]) if len(answer) > 1 else 0
    except OSError:
        return 0
    finally:
        if writer is not None:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()


async def up(farm: Farm) -> bool:
    """Does the daemon answer?"""
    return await said(farm.settings.data, "GET", "/itself") == 200


async def first_answer_s(farm: Farm, began_s: float) -> float:
    """Seconds until the daemon answers for the first time."""
    while time.monotonic() - began_s < STARTS_WITHIN_S:
        if await up(farm):
            return time.monotonic() - began_s
        await asyncio.sleep(BETWEEN_S)
    raise AssertionError(f"no answer within {STARTS_WITHIN_S} s of the start")


@dataclass
class Acknowledged:
    """What the daemon said to have kept, by the id that each note and act was given."""

    notes: list[str] = field(default_factory=list)
    acts: list[str] = field(default_factory=list)
    given: int = 0

    def next_id(self) -> str:
        self.given += 1
        return f"id-{self.given:06d}"

    async def note(self, farm: Farm) -> bool:
        one = self.next_id()
        status = await said(farm.settings.data, "POST", "/notes", {"place": "creek", "who": "jo", "text": one})
        if status == 200:
            self.notes.append(one)
        return status != 0

    async def act(self, farm: Farm, operator: str) -> None:
        one = self.next_id()
        act = {"resource": "creek", "type": "pole-silent", "operator": operator, "who": "jo", "note": one}
        if await said(farm.settings.data, "POST", "/act", act) == 200:
            self.acts.append(one)

    async def go_on(self, farm: Farm) -> None:
        """Notes without end, and an act whenever the alarm takes one, until nobody answers any more."""
        while await self.note(farm):
            if self.given % 20 == 0:
                await self.act(farm, "ack")
            if self.given % 50 == 0:
                await self.act(farm, "closed")
            await asyncio.sleep(BETWEEN_S)


async def killed(kills: int, seed: int, kind: type[Farm] = Farm) -> dict[str, Any]:
    """All of it."""
    chance, clock, received = random.Random(seed), SystemClock(), list[tuple[str, str]]()
    plan, _ = load_plan(shipped() / "tarrow-downs.yaml")
    receiver = Receiver(lambda title, body: received.append((title, body)))
    await receiver.open()
    site = await open_site(plan, "farm-word", seed, clock.wall_s(), FAST)
    running = asyncio.create_task(site.run(clock.wall_s, clock.sleep))
    with tempfile.TemporaryDirectory() as name:
        farm = kind(site, lay_out(Path(name), site.plan, "farm-word", receiver.port, None), received)
        kept, starts = Acknowledged(), list[float]()
        for i in range(kills):
            starts += await life(farm, chance, i, kept)
        seen = told(farm, kept, received)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    site.close()
    receiver.close()
    return {
        "bench": "survive",
        "kills": kills,
        "first_answer_s": round(statistics.median(starts), 2),
        "first_answer_longest_s": round(max(starts), 2),
        **seen,
    }


async def life(farm: Farm, chance: random.Random, number: int, kept: Acknowledged) -> list[float]:
    """One life of the daemon, ended at a random moment; every third brings a fault or takes it away."""
    began_s = time.monotonic()
    daemon = await farm.daemon("off", asyncio.subprocess.DEVNULL)
    if number % 3 == 0:
        farm.repaired() if number % 2 else farm.breaks("feeder-open", "creek")
    if number % 4 == 3:  # while it starts
        await asyncio.sleep(chance.uniform(0.05, 1.5))
        await ended(daemon)
        return []
    start_s = await first_answer_s(farm, began_s)
    going_on = asyncio.create_task(kept.go_on(farm))
    await asyncio.sleep(CALLED_OUT_S if number % 6 == 1 else chance.uniform(0.0, LONGEST_LIFE_S))
    await ended(daemon)
    await going_on  # what was acknowledged in the very moment counts
    return [start_s]


async def ended(daemon: asyncio.subprocess.Process) -> None:
    daemon.kill()
    await daemon.wait()


def told(farm: Farm, kept: Acknowledged, received: list[tuple[str, str]]) -> dict[str, Any]:
    """What was acknowledged, and what of it is there."""
    file = farm.settings.data / HISTORY
    with Store(file) as store:  # its opening takes in what the last life left beside the file
        notes = collections.Counter(one.text for one in store.repairs())
        changes = store.changes(0.0, 100_000)
    acts = collections.Counter(one.note for one in changes if one.what in ("ack", "closed"))
    return {
        "acknowledged": len(kept.notes),
        "missing": sum(one not in notes for one in kept.notes),
        "kept_twice": sum(count > 1 for count in notes.values()),
        "acts": len(kept.acts),
        "acts_missing": sum(one not in acts for one in kept.acts),
        "acts_twice": sum(count > 1 for count in acts.values()),
        **delivered(file, received),
        "alarm_changes": len(changes),
        "rounds": backup.verify(file).rows["round_row"],
    }


def delivered(file: Path, received: list[tuple[str, str]]) -> dict[str, int]:
    """Each received message belongs to one of the outbox, by subject and text (how late it is may stand above)."""
    with closing(sqlite3.connect(file)) as connection:
        outbox = connection.execute("SELECT id, subject, body, state FROM outbox ORDER BY id").fetchall()
    times, strange = collections.Counter[int](), 0
    for title, body in received:
        mine = [row[0] for row in outbox if row[1] == title and body.rstrip().endswith(row[2].rstrip())]
        if mine:
            times[min(mine, key=times.__getitem__)] += 1
        strange += not mine
    return {
        "messages": len(received),
        "messages_lost": sum(state == "sent" and not times[one] for one, _, _, state in outbox),
        "sent_twice": sum(count - 1 for count in times.values()),
        "messages_of_no_id": strange,
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hasty", action="store_true", help="a daemon that acknowledges before it writes")
    given = parser.parse_args()
    print(json.dumps(asyncio.run(killed(given.kills, given.seed, Hasty if given.hasty else Farm))))
