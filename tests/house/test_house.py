"""Tests of the house itself: layout, contracts, names, documentation, reasons."""

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from monitor.facts.quantities import UNITS
from monitor.plan import datasheets, parts, power
from tests.house import docs
from tests.house.catalogue import POT, catalogue

ROOT = Path(__file__).parents[2]
SOURCES = sorted((ROOT / "monitor").rglob("*.py"))
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "monitor", "config", "deploy", "tests"}


def tracked() -> list[str]:
    done = subprocess.run(["git", "-C", str(ROOT), "ls-files"], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip("not a git checkout")
    return done.stdout.split()


def test_the_top_level_holds_nothing_else() -> None:
    assert {name.split("/")[0] for name in tracked() if not name.startswith(".")} == TOP_LEVEL


def test_every_room_is_documented() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = {path.name for path in (ROOT / "monitor").iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert rooms <= set(re.findall(r"`monitor/(\w+)/`", text))
    for room in rooms:
        assert ast.get_docstring(ast.parse((ROOT / "monitor" / room / "__init__.py").read_text())), room


def test_every_sentence_for_people_stands_in_the_catalogue() -> None:
    assert POT.read_text(encoding="utf-8") == catalogue(), "run: python -m tests.house.docs"


@pytest.mark.parametrize("file", list(docs.PARTS))
def test_generated_documentation_is_up_to_date(file: str) -> None:
    assert (ROOT / file).read_text(encoding="utf-8") == docs.written(file), "run: python -m tests.house.docs"


def test_the_readme_begins_with_the_job_in_one_paragraph() -> None:
    paragraphs = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")
    assert paragraphs[0].startswith("# farpole")
    assert "pole" in paragraphs[1]
    assert "why" in paragraphs[1]
    assert len(paragraphs[1].split()) < 160


LIBRARIES = {
    # Asking, setting and being told are three subjects; the first and the last fill a file each.
    "pysnmp": {
        "monitor/devices/ask/snmp_pysnmp.py",
        "monitor/devices/ask/snmp_set.py",
        "monitor/devices/ask/snmp_traps.py",
        "monitor/simulation/agent.py",
    },
    "pyasn1": {"monitor/devices/ask/snmp_pysnmp.py", "monitor/simulation/agent.py"},
    "icmplib": {"monitor/devices/ask/icmp.py"},
    "smtplib": {"monitor/notify/mail.py"},
    "apscheduler": {"monitor/daemon/schedule.py"},
    "scapy": {"monitor/devices/ask/sweep.py"},
    "nats": {"monitor/centre/line.py"},
    "nkeys": {"monitor/centre/keys.py"},
    "nacl": {"monitor/centre/keys.py"},
}


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module.split(".")[0])
    return found


def test_one_library_stands_behind_one_file_of_a_room() -> None:
    for path in SOURCES:
        name = str(path.relative_to(ROOT))
        for library in imports(path) & set(LIBRARIES):
            assert name in LIBRARIES[library], f"{name} imports {library}"
    for room in ("sqlalchemy", "alembic"):
        outside = [p for p in SOURCES if room in imports(p) and "monitor/history/" not in str(p)]
        assert outside == []


def test_only_the_clock_reads_clocks() -> None:
    for path in SOURCES:
        # sweep.py is a process of its own, which nothing else imports: it has no daemon to get a clock from.
        if path.name not in ("clock.py", "sweep.py"):
            text = path.read_text(encoding="utf-8")
            assert not re.search(
                r"\btime\.(time|monotonic|perf_counter)\(|datetime\.now\((?!UTC\)\.astimezone)", text
            ), path


UNIT_ENDINGS = {
    "wh",
    "days",
    "per_day",
    "per_cell",
    *UNITS,
    "db",
    "dbm",
    "m",
    "nm",
    "mm2",
    "awg",
    "ohms",
    "deg",
    "c",
    "s",
    "minutes",
    "hours",
    "months",
    "watts",
    "volts",
    "amperes",
    "km",
    "per_km",
    "per_s",
    "20c",
    "per_joint",
    "per_connector",
    "per_splice",
}
PURE_NUMBERS = {
    "share",
    "harvest_share",
    "cold_share",
    "clear_sky_share",
    "capacity_share",
    "lowest_charge",
    "before",
    "after",
    "by_vlan",
    "ohms_at_20c",
    "latitude",
    "longitude",
    "usable",
    "efficiency",
    "poe_efficiency",
    "scale",
    "offset",
    "absent",
    "per_c",
    "value",
    "low",
    "high",
    "resolution",
    "close",
    "deadband",
    "margin",
    "beside_plan",
    "days_of_autonomy",
    "every_minutes",
    "amp_hours",
}


OF_ITS_SERIES = {"sigma", "effect", "beta", "mean", "used", "levels", "compared", "limit"}
OF_ITS_SERIES |= {"per_month", "low_per_month", "high_per_month", "limit_in_unit", "median", "beside"}
"""In the unit of whatever series is judged, which nobody knows before."""
CHANCES = {"per_year", "signs", "context", "leak", "yes", "weights", "chances", "fit", "prior", "risk", "p", "z", "s"}
CHANCES |= {"ratio", "variance", "powers", "rates", "rate_sds", "log_odds", "certain", "gate_share"}
"""Chances, factors on them, and figures of tests: pure numbers."""
COLUMNS = {"values", "expected", "peaks", "swings", "members"}
"""What carries many units at once: each value's slot names its own."""


def test_numbers_of_plans_and_datasheets_end_in_their_unit() -> None:
    models = [
        m
        for module in (parts, power, datasheets)
        for m in vars(module).values()
        if isinstance(m, type) and issubclass(m, BaseModel)
    ]
    for model in models:
        for name, field in model.model_fields.items():
            if "float" in str(field.annotation) and name not in PURE_NUMBERS:
                assert any(name == unit or name.endswith("_" + unit) for unit in UNIT_ENDINGS), (
                    f"{model.__name__}.{name}"
                )


def test_numbers_of_records_end_in_their_unit() -> None:
    for path in [p for p in SOURCES if p.parent.name in ("facts", "budgets", "margins", "alarms")]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ClassDef):
                continue
            for field in node.body:
                if isinstance(field, ast.AnnAssign) and "float" in ast.unparse(field.annotation):
                    name = ast.unparse(field.target)
                    words = {name, *name.split("_"), "_".join(name.split("_")[-2:])}
                    known = name in PURE_NUMBERS | OF_ITS_SERIES | CHANCES or words & UNIT_ENDINGS
                    assert known or name in COLUMNS, f"{path.name}: {node.name}.{name}"


def test_every_ignore_carries_its_reason() -> None:
    for path in [*SOURCES, *(ROOT / "tests").rglob("*.py")]:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if re.search(r"# (type: ignore|noqa)", line) and path.name != "test_house.py":
                assert re.search(r"# (type: ignore\[[\w-]+\]|noqa: [A-Z]+\d+)  # \w", line), f"{path.name}:{number}"


def test_files_are_short_enough_to_have_one_subject() -> None:
    long = {str(p.relative_to(ROOT)): n for p in SOURCES if (n := len(p.read_text().splitlines())) > 320}
    assert long == {}


def test_the_project_speaks_of_itself_alone() -> None:
    words = re.compile(r"/(?:work|root|home/\w+)/|\bTODO\b|\bFIXME\b")
    for name in tracked():
        path = ROOT / name
        if path.suffix in (".py", ".md", ".yaml", ".toml", "") and path.is_file() and path.name != "test_house.py":
            assert not words.search(path.read_text(encoding="utf-8")), name


def test_dependencies_are_pinned_as_tested() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *(d for group in project["optional-dependencies"].values() for d in group)]
    names = {re.split(r"[<>=\[]", name)[0].lower().replace("_", "-") for name in wanted}
    pinned = (ROOT / "deploy" / "constraints.txt").read_text(encoding="utf-8").lower().replace("_", "-")
    assert {name for name in names if f"{name}==" not in pinned} == set()


def test_an_upward_import_breaks_the_contracts(tmp_path: Path) -> None:
    for name in ("monitor", "pyproject.toml"):
        source = ROOT / name
        (shutil.copytree if source.is_dir() else shutil.copy)(source, tmp_path / name)
    command = [str(Path(sys.executable).parent / "lint-imports"), "--no-cache"]
    environment = {"PYTHONPATH": str(tmp_path), "PATH": "/usr/bin:/bin"}
    before = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert before.returncode == 0, before.stdout
    units = tmp_path / "monitor" / "facts" / "units.py"
    units.write_text(units.read_text(encoding="utf-8") + "\nimport monitor.daemon.clock  # upward\n", encoding="utf-8")
    after = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert after.returncode != 0
    assert "monitor.facts.units -> monitor.daemon.clock" in after.stdout


def test_what_nobody_awaits_fails_its_test(tmp_path: Path) -> None:
    shutil.copy(ROOT / "pyproject.toml", tmp_path / "pyproject.toml")
    words = ["async def letter() -> None:", "    pass", "def test_it() -> None:", "    letter()"]
    (tmp_path / "test_it.py").write_text("\n".join(words) + "\n", encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_it.py"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stdout
    assert "coroutine 'letter' was never awaited" in done.stdout
