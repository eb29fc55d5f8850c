"""Run by the power-cut trials: keeps rounds, or folds days, and prints what has been acknowledged."""

import sys
from pathlib import Path

from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.store import Store

SLOTS = tuple(Slot(f"creek/port/{i}", "port_watts") for i in range(40))
LAYOUT = Layout("creek/switch", "measure", SLOTS)
FIRST_S = 1_790_000_000 // 86_400 * 86_400


def a_round(at_s: int) -> Round:
    one = Round.blank(LAYOUT, at_s, State.SILENT)
    for i in range(len(SLOTS)):
        one.put(i, (at_s * 7 + i) % 1000 / 10)
    return one


def main(history: Path, what: str, start: int) -> None:
    store = Store(history)
    store.standard_offset(0)
    if what == "fill":
        for day in range(3):
            store.keep([a_round(FIRST_S + day * 86_400 + i * 60) for i in range(1440)])
        return
    print("ready", flush=True)  # noqa: T201  # what the trial reads
    if what == "fold":
        for slot, day in store.to_fold(10**6, 0):
            store.fold(slot, day, 0)
            print(day, flush=True)  # noqa: T201  # what the trial reads
    else:
        for i in range(start, start + 10**6):
            store.keep([a_round(FIRST_S + i)])
            print(i, flush=True)  # noqa: T201  # what the trial reads


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
