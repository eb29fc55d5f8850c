"""Fuzzing by coverage over every parser that eats bytes from outside: python -m tests.bench.fuzz [--minutes 5]

Each target gets its minutes in a process of its own, with atheris (pip install atheris); what it finds lies in a file
``crash-...`` in the folder, to become a test. One JSON line: target → runs, runs a second, edges seen, crashes.
"""

import argparse
import json
import re
import subprocess
import sys
import tempfile
from importlib import import_module
from pathlib import Path
from typing import Any


def targets() -> dict[str, Any]:
    """Imported late: a child does it under instrumentation."""
    found: dict[str, Any] = import_module("tests.properties.targets").TARGETS
    return found


def child(name: str, arguments: list[str]) -> None:
    """One target, until its time is over or it has found something. Our own parsers are watched, libraries are not:
    to instrument all of them takes minutes."""
    import atheris

    with atheris.instrument_imports(include=["monitor"]):
        target = targets()[name]

    def once(data: bytes) -> None:
        try:
            target.eat(data)
        except target.answers:
            return

    atheris.Setup([sys.argv[0], *arguments], once)
    atheris.Fuzz()


def fuzzed(name: str, minutes: float, folder: Path) -> dict[str, Any]:
    """Run a target's process, and read its last line."""
    corpus = folder / name
    corpus.mkdir(parents=True, exist_ok=True)
    for i, seed in enumerate(targets()[name].seeds):
        (corpus / f"seed-{i}").write_bytes(seed)
    limits = [f"-max_total_time={60 * minutes:.0f}", "-max_len=4096", "-timeout=10", "-rss_limit_mb=2048"]
    kept = [f"-artifact_prefix={folder / name}-", str(corpus)]
    command = [sys.executable, "-m", "tests.bench.fuzz", "--child", name, *limits, *kept]
    done = subprocess.run(command, capture_output=True, text=True, errors="replace")
    lines = re.findall(r"#(\d+)\s+\S+\s+cov: (\d+).*?exec/s: (\d+)", done.stderr)
    runs, edges, per_second = map(int, lines[-1]) if lines else (0, 0, 0)
    found = sorted(file.name for file in folder.glob(f"{name}-*"))
    return {"runs": runs, "per_second": per_second, "edges": edges, "crashes": found, "status": done.returncode}


def main() -> None:
    """All targets, or those that are named."""
    if sys.argv[1:2] == ["--child"]:
        child(sys.argv[2], sys.argv[3:])
        return
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", nargs="*", help=f"which (default: all): {', '.join(targets())}")
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--folder", type=Path, default=None)
    given = parser.parse_args()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="farpole-fuzz-"))
    found = {name: fuzzed(name, given.minutes, folder) for name in given.target or targets()}
    print(json.dumps({"bench": "fuzz", "minutes_each": given.minutes, "folder": str(folder), "targets": found}))


if __name__ == "__main__":
    main()
