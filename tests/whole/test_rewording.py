"""Nothing hangs on a sentence: a day of faults comes out the same however all sentences are worded."""

import json
import os
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.whole.rewording import FAULTS, reworded

pytestmark = pytest.mark.whole
ROOT = Path(__file__).parents[2]


@cache
def told(seed: int) -> tuple[dict[str, Any], str]:
    """The facts of the day in the words of a seed, and what the log says of it meanwhile."""
    command = [sys.executable, "-m", "tests.whole.rewording", str(seed)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    facts: dict[str, Any] = json.loads(done.stdout)
    return facts, done.stderr


def test_the_day_has_in_it_what_might_hang_on_words() -> None:
    facts, log = told(0)
    short = facts["guards"][0]
    assert ["yards", "1", False] in short, "a port with a short may not be switched"
    assert ["yards", "2", True] in short, "its neighbour may"
    assert [len(facts["guards"]), len(facts["revived"])] == [2 * len(FAULTS) + 1] * 2
    assert any(facts["revived"]), "a hung camera is revived"
    signs = {sign for change in facts["changes"] for sign in change[-3]}
    assert {"shorts", "mps_lost"} <= signs
    settled = {change[-4] for change in facts["changes"]}
    assert {"POWER", "PATH"} <= settled
    assert any(power for _, power, _, _ in facts["available"])
    assert any(path for _, _, path, _ in facts["available"])
    assert {"fibre-cut", "feeder-dead"} <= facts["likelier"].keys()
    assert {drift[1] for drift in facts["drifts"]} == {"major", "warning", None}
    assert {series[2] for series in facts["series"]} == {True, False}
    assert facts["messages"]
    assert "shorts are counted" in log


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_in_other_words_nothing_changes_but_words(seed: int) -> None:
    facts, log = told(seed)
    assert "raised" in log
    assert "shorts are counted" not in log, "the words are others"
    usual, _ = told(0)
    assert facts.keys() == usual.keys()
    for name, value in usual.items():
        assert facts[name] == value, name


def test_a_reworded_pattern_keeps_its_values_and_nothing_else() -> None:
    pattern = "{load}: it draws {watts:.1f} W, usually {usual:.1f} W"
    others = {reworded(pattern, seed) for seed in range(1, 9)}
    assert len(others) == 8
    for other in others:
        assert "draws" not in other
        assert other.format(load="gate", watts=4.0, usual=5.0).count("4.0") == 1
