"""How much the tests notice: python -m tests.bench.mutants FILE-OR-ROOM... [--most 150] [--minutes 15] [--seed 1]

Small changes are made to the program one at a time (a comparison turned, a number moved, a condition denied, a
statement left out), and its tests are run against each: a change that no test notices has survived. Each runs in a
process of its own, forked from one that has the libraries loaded already; the program's files are not touched. Of more
than ``--most`` changes a seeded sample is tried, in the order in which it was drawn and no longer than ``--minutes``;
the share has its interval at 95 % (E. B. Wilson, JASA 22, 1927). One JSON line; survivors go to stderr as they are
found. Types, texts and decorators are left as they are.
"""

import argparse
import ast
import json
import math
import os
import random
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import hypothesis
import pytest

LONGEST_S = 60
MODEL = ["tests/properties/test_book_machine.py"]
TESTS = {
    "monitor/alarms": ["tests/alarms", *MODEL],
    "monitor/show/door.py": ["tests/show/test_sessions.py", "tests/show/test_door.py"],
    "monitor/show/entrance.py": ["tests/show/test_entrance.py", "tests/show/test_door.py", "tests/show/test_web.py"],
    "monitor/show/links.py": ["tests/show/test_links.py"],
    "monitor/show/tries.py": ["tests/show/test_tries.py"],
    "monitor/show/turns.py": ["tests/show/test_turns.py"],
    "monitor/show/streams.py": ["tests/show/test_streams.py"],
    "monitor/show/porch.py": ["tests/show/test_porch.py"],
    "monitor/show/wellformed.py": ["tests/show/test_wellformed.py"],
    "monitor/show/ways.py": ["tests/show/test_ways.py"],
    "monitor/show/who.py": ["tests/show/test_who.py"],
    "monitor/daemon/schedule.py": ["tests/daemon/test_due.py", "tests/daemon/test_schedule.py"],
}
"""What is measured, and the tests that have to notice."""
TURNED: dict[type[ast.AST], Any] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Mod: ast.Mult,
}  # fmt: skip


def changed(node: ast.AST) -> Iterator[ast.AST]:
    """What stands in a node's place, one change each."""
    match node:
        case ast.Compare(ops=[op]) if type(op) in TURNED:
            yield ast.Compare(node.left, [TURNED[type(op)]()], node.comparators)
        case ast.BoolOp(op, values):
            yield ast.BoolOp(TURNED[type(op)](), values)
        case ast.BinOp(left, op, right) if type(op) in TURNED:
            yield ast.BinOp(left, TURNED[type(op)](), right)
        case ast.UnaryOp(ast.Not() | ast.USub(), operand):
            yield operand
        case ast.Constant(bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(int() | float() as value):
            yield ast.Constant(value + 1)
        case ast.If() | ast.While():
            test = ast.UnaryOp(ast.Not(), node.test)
            yield type(node)(test, node.body, node.orelse)
        case ast.IfExp(test, body, orelse):
            yield ast.IfExp(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.Return(value) if value is not None and not is_none(value):
            yield ast.Return(ast.Constant(None))
        case ast.Assign() | ast.AugAssign() | ast.Raise() | ast.Continue() | ast.Break():
            yield ast.Pass()
        case ast.Expr(ast.Call() | ast.Await()):
            yield ast.Pass()


def is_none(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


@dataclass
class Mutant:
    """One change of one file: what hangs in a node's place, where."""

    file: Path
    parent: ast.AST
    name: str
    index: int | None
    node: ast.AST
    other: ast.AST

    def __str__(self) -> str:
        was, now = (" ".join(ast.unparse(ast.fix_missing_locations(n)).split())[:70] for n in (self.node, self.other))
        return f"{self.file}:{getattr(self.node, 'lineno', 0)}: {was} → {now}"

    def made(self) -> None:
        """Change the tree, for good: this process is the mutant's own."""
        ast.copy_location(self.other, self.node)
        if self.index is None:
            setattr(self.parent, self.name, self.other)
        else:
            getattr(self.parent, self.name)[self.index] = self.other


def mutants(file: Path, tree: ast.AST) -> Iterator[Mutant]:
    """All changes of one file, at this node of its tree and below."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        hanging = list(enumerate(value)) if isinstance(value, list) else [(None, value)]
        for index, node in hanging:
            if isinstance(node, ast.AST):
                yield from (Mutant(file, tree, name, index, node, other) for other in changed(node))
                yield from mutants(file, node)


def tried(one: Mutant | None, file: Path, tree: ast.Module, tests: list[str]) -> int:
    """Run the tests in a process of its own; 0 where they pass."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    signal.alarm(LONGEST_S)
    if one is not None:
        one.made()
    for name in [name for name in sys.modules if name.split(".")[0] in ("monitor", "tests")]:
        del sys.modules[name]
    with Path(os.devnull).open("w") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        os.dup2(nowhere.fileno(), 2)
        try:
            put(file, tree)
            quietly = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--timeout=0"]  # it has the same alarm
            os._exit(pytest.main([*quietly, str(file), *tests]))
        except BaseException:  # noqa: BLE001  # a mutant may end in any way; it must not go on as a second bench
            os._exit(1)


def put(file: Path, tree: ast.Module) -> None:
    """Let the module be the changed one for whoever imports it."""
    name = ".".join(file.with_suffix("").parts)
    import_module(name.rpartition(".")[0])
    module = ModuleType(name)
    module.__file__, module.__package__ = str(file.resolve()), name.rpartition(".")[0]
    sys.modules[name] = module
    exec(compile(ast.fix_missing_locations(tree), module.__file__, "exec"), module.__dict__)
    setattr(sys.modules[module.__package__], file.stem, module)


def wilson(killed: int, tried: int) -> tuple[float, float]:
    """The interval of a share at 95 %.

    >>> [round(end, 3) for end in wilson(90, 100)]
    [0.826, 0.945]
    """
    z, share = 1.96, killed / tried
    middle = (share + z * z / (2 * tried)) / (1 + z * z / tried)
    half = z * math.sqrt(share * (1 - share) / tried + z * z / (4 * tried * tried)) / (1 + z * z / tried)
    return middle - half, middle + half


def measured(targets: list[str], most: int, minutes: float, seed: int) -> dict[str, object]:
    """All of it; raises RuntimeError where the tests do not pass as it is."""
    found: list[tuple[Mutant, ast.Module, list[str]]] = []
    for target in targets:
        tests = next(tests for room, tests in TESTS.items() if target.startswith(room))
        for file in sorted(Path(target).glob("*.py")) if Path(target).is_dir() else [Path(target)]:
            tree = ast.parse(file.read_text(encoding="utf-8"))
            own = Path(tests[0]) / f"test_{file.stem}.py"
            first = [str(own)] if own.exists() else []
            found += [(one, tree, [*first, *tests]) for one in mutants(file, tree)]
            import_module(".".join(file.with_suffix("").parts))
    sample = random.Random(seed).sample(found, min(most, len(found)))
    files = {one.file: (one.file, tree, ["--collect-only", *tests]) for one, tree, tests in sample}
    whole = {tests[-1]: (one.file, tree, tests) for one, tree, tests in sample}
    for file, tree, tests in (*files.values(), *whole.values()):
        if code := tried(None, file, tree, tests):
            raise RuntimeError(f"{file}: its tests do not pass as it is ({code}): {' '.join(tests)}")
    survivors, count, ends_s = list[Mutant](), 0, time.monotonic() + 60 * minutes
    for one, tree, tests in sample:
        if time.monotonic() >= ends_s:
            break
        count += 1
        if tried(one, one.file, tree, tests) == 0:
            survivors.append(one)
            print(one, file=sys.stderr, flush=True)
    killed = count - len(survivors)
    return {
        "bench": "mutants",
        "of": targets,
        "mutants": len(found),
        "tried": count,
        "killed": killed,
        "share": round(killed / count, 3),
        "interval": [round(end, 3) for end in wilson(killed, count)],
        "survivors": Counter(str(one.file) for one in survivors),
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("targets", nargs="+")
    parser.add_argument("--most", type=int, default=150)
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    hypothesis.settings.register_profile("mutants", database=None, derandomize=True)
    hypothesis.settings.load_profile("mutants")
    print(json.dumps(measured(given.targets, given.most, given.minutes, given.seed)))
