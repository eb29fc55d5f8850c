"""A campaign on the disk: the plan, the readings of each case, and what truly was wrong."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from monitor.daemon.files import as_yaml
from monitor.history.files import stamp, write_wide
from monitor.plan.parts import Plan
from monitor.simulation.campaign import Case, cases, play
from monitor.simulation.faults import FAULTS


def write(plan: Plan, number: int, seed: int, to: Path, say: Callable[[str], None]) -> None:
    """Write ``number`` labelled cases into a folder that is not there yet or is empty; raises ValueError."""
    if to.exists() and any(to.iterdir()):
        raise ValueError(f"{to} is not empty; a campaign is never mixed with another")
    to.mkdir(parents=True, exist_ok=True)
    (to / "plan.yaml").write_text(
        as_yaml(plan.model_dump(mode="json", by_alias=True, exclude_none=True)), encoding="utf-8"
    )
    truths = []
    for case in cases(plan, number, seed):
        folder = to / f"case-{case.number:04d}"
        folder.mkdir()
        file, rows = _readings(plan, case, folder)
        truth = _truth(case) | {"folder": folder.name, "readings": file.name}
        (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
        truths.append(truth)
        what = ", ".join(f"{f['fault']} at {f['pole']}" for f in truth["faults"]) or "nothing wrong"
        say(f"{folder.name}: {what}; {rows} rounds")
    whole = {"number": number, "seed": seed, "cases": truths}
    (to / "campaign.json").write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")


def _readings(plan: Plan, case: Case, folder: Path) -> tuple[Path, int]:
    times: list[float] = []
    rows: list[np.ndarray[Any, np.dtype[np.float64]]] = []
    names: list[str] = []
    for rounds in play(plan, case):
        if not names:
            names = [f"{slot.resource}:{slot.quantity}" for one in rounds for slot in one.layout.slots]
        values = np.concatenate([np.frombuffer(one.values, np.float64) for one in rounds])
        unseen = np.concatenate([np.frombuffer(one.states, np.uint8) for one in rounds]) != 0
        values[unseen] = np.nan
        times.append(rounds[0].at_s)
        rows.append(values)
    table = np.array(rows)
    return write_wide(times, dict(zip(names, table.T, strict=True)), folder / "readings"), len(times)


def _truth(case: Case) -> dict[str, Any]:
    return {
        "case": case.number,
        "seed": case.seed,
        "from": stamp(case.start_s),
        "to": stamp(case.end_s),
        "faults": [
            {
                "fault": fault.name,
                "number": FAULTS[fault.name].number,
                "pole": fault.pole,
                "onset": stamp(fault.start_s),
                "end": stamp(int(fault.end_s)) if fault.end_s < case.end_s else None,
                "severity": round(fault.severity, 3),
                "full_after_days": round((fault.ramp_s or 0.0) / 86_400, 1),
            }
            for fault in case.faults
        ],
    }
