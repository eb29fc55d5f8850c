"""From a notification of the head-end switch to the alarm: ``python -m tests.bench.trap_to_alarm [--times 5]``.

The simulated site and a daemon of its own process, as in tests/whole; reachability rounds are a minute long, so that
only the notification can be what brings the alarm. Prints one JSON line; the reference is the rounds' own two periods.
"""

import argparse
import asyncio
import json
import socket
import statistics
import tempfile
import time
from pathlib import Path

from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import lay_out, open_site
from monitor.daemon.files import load_plan, shipped
from monitor.simulation.receiver import Receiver
from tests.whole.conftest import FAST, Farm
from tests.whole.test_daemon import settled_in
from tests.whole.test_trap_to_alarm import alarm_after, changed, link_down

_REACH_S = 60.0


async def measured(times: int, folder: Path) -> list[float]:
    """Seconds from the notification to the alarm, several times."""
    clock, (plan, _) = SystemClock(), load_plan(shipped() / "tarrow-downs.yaml")
    receiver = Receiver(lambda title, body: None)
    await receiver.open()
    site = await open_site(plan, "farm-word", 1, clock.wall_s(), FAST)
    site.world.boot_s = 2.0
    running = asyncio.create_task(site.run(clock.wall_s, clock.sleep))
    farm = Farm(site, lay_out(folder, site.plan, "farm-word", receiver.port, None))
    port = changed(farm, _REACH_S)
    daemon = await farm.daemon(log=asyncio.subprocess.DEVNULL)
    found = []
    try:
        await settled_in(farm)
        for _ in range(times):
            farm.breaks("feeder-open", "creek")
            sent_s = time.time()
            notify(farm, port)
            found.append(await alarm_after(farm, 20) - sent_s)
            farm.repaired()
            await asyncio.sleep(3)
            notify(farm, port)
            await farm.until(lambda: _clear(farm), 180)
            await asyncio.sleep(8)
    finally:
        daemon.terminate()
        await daemon.wait()
        running.cancel()
        site.close()
        receiver.close()
    return found


async def _clear(farm: Farm) -> bool:
    return "creek pole-silent" not in await farm.standing()


def notify(farm: Farm, port: int) -> None:
    """linkDown from the head-end switch's address."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.bind((str(farm.site.plan.headend.switch.address), 0))
        sender.sendto(link_down(1), ("127.0.0.1", port))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=5)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        found = asyncio.run(measured(given.times, Path(name)))
    said = {"times": len(found), "median_s": round(statistics.median(found), 2), "longest_s": round(max(found), 2)}
    print(json.dumps({**said, "two_rounds_s": 2 * _REACH_S}))


if __name__ == "__main__":
    main()
