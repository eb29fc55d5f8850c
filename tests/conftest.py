"""What all tests share: the shipped plan and datasheets, and the rule that CI misses no peer."""

import os
import shutil
from collections.abc import Iterator
from importlib.util import find_spec

import pytest

from monitor.daemon.design import Design
from monitor.daemon.files import load_plan, load_sheets, shipped
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from tests.history.cluster import Cluster


@pytest.fixture(scope="session")
def sheets() -> Sheets:
    return load_sheets()


@pytest.fixture(scope="session")
def tarrow() -> Plan:
    return load_plan(shipped() / "tarrow-downs.yaml")[0]


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL of the tests' own, on a Unix socket only."""
    made = Cluster()
    try:
        made.start()
        yield made
    finally:
        made.remove()


@pytest.fixture(scope="session")
def tarrow_text() -> str:
    return (shipped() / "tarrow-downs.yaml").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def design(tarrow: Plan, sheets: Sheets) -> Design:
    return Design.of(tarrow, sheets)


def need_peers(*programs: str, root: bool = False) -> None:
    """Skip with a reason where a real counterpart is missing; in CI that is a failure."""
    missing = [program for program in programs if shutil.which(program, path=os.environ["PATH"] + ":/usr/sbin") is None]
    reason = f"missing: {', '.join(missing)}" if missing else ""
    if root and os.geteuid() != 0:
        reason = "needs root for network namespaces"
    _skip_or_fail(reason)


def need_python_peers(*packages: str) -> None:
    """The same for counterparts that are Python packages."""
    missing = [package for package in packages if find_spec(package) is None]
    _skip_or_fail(f"missing: {', '.join(missing)}" if missing else "")


def _skip_or_fail(reason: str) -> None:
    if reason and os.environ.get("CI") == "true":
        pytest.fail(f"a peer is missing in CI: {reason}")
    if reason:
        pytest.skip(reason)
