"""Published values: golden/*.csv, each row with where it is from."""

import csv
import json
from pathlib import Path
from typing import Any


def rows(name: str, computation: str) -> list[Any]:
    """(id, inputs, expected, tolerance) of one computation, as pytest parameters."""
    import pytest

    with (Path(__file__).parent / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        found = [row for row in csv.DictReader(file) if row["computation"] == computation]
    if not found:
        raise LookupError(f"golden/{name}.csv has no {computation}")
    return [
        pytest.param(json.loads(r["inputs"]), json.loads(r["expected"]), float(r["tolerance"]), id=r["id"])
        for r in found
    ]
