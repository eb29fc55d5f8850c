"""How long the review of a large farm takes: python -m tests.bench.review [--poles 20]

One JSON line: seconds of ``farpole review`` as a process of its own, over fourteen months of history: words, HTML and
PDF with charts, a whole year; beside each the ratio to ``start_s``, the same program that only says its version.
"""

import argparse
import asyncio
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from monitor.daemon.clock import HandClock, SystemClock
from monitor.daemon.design import Design
from monitor.daemon.files import as_yaml, load_plan, shipped
from monitor.daemon.filling import fill_past
from monitor.daemon.folding import Folding
from monitor.daemon.keeper import Keeper
from monitor.simulation.campaign import widened
from monitor.simulation.past import tarrow_downs

TURNS = 3


def lay_out(folder: Path, poles: int) -> None:
    """A farm with its past, folded."""
    plan, sheets = load_plan(shipped() / "tarrow-downs.yaml")
    plan, now_s = widened(plan, poles), SystemClock().wall_s()
    (folder / "plan.yaml").write_text(as_yaml(plan.model_dump(mode="json", by_alias=True, exclude_none=True)))
    fill_past(folder, plan, sheets, 1, now_s, tarrow_downs(plan, now_s))

    async def fold() -> None:
        clock = HandClock(now_s)
        keeper = Keeper(folder / "data" / "history.sqlite", clock)
        await keeper.open()
        await Folding(Design.of(plan, sheets), keeper, clock).run()
        await keeper.close()

    asyncio.run(fold())


def seconds(*words: str) -> float:
    """Median of a few runs."""
    times = []
    for _ in range(TURNS):
        began_s = time.perf_counter()
        subprocess.run([sys.executable, "-m", "monitor", *words], check=True, capture_output=True)
        times.append(time.perf_counter() - began_s)
    return statistics.median(times)


def main(poles: int) -> dict[str, float | dict[str, float]]:
    """All of it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lay_out(folder, poles)
        given = ["review", "--plan", str(folder / "plan.yaml"), "--data", str(folder / "data")]
        year = time.strftime("%Y")
        found = {
            "words_s": seconds(*given),
            "html_s": seconds(*given, "--out", str(folder / "x.html")),
            "pdf_s": seconds(*given, "--out", str(folder / "x.pdf")),
            "year_pdf_s": seconds(*given, "--year", year, "--out", str(folder / "y.pdf")),
        }
        start_s = seconds("--version")
    ratios = {name: round(value / start_s, 1) for name, value in found.items()}
    return {**{name: round(value, 2) for name, value in found.items()}, "start_s": round(start_s, 2), "times": ratios}


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--poles", type=int, default=20)
    print(json.dumps(main(parser.parse_args().poles)))
