"""The wheel, installed into an empty virtual environment outside the checkout, runs budget and demo."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.whole


def test_the_wheel_carries_its_config_and_runs_elsewhere(tmp_path: Path) -> None:
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(tmp_path), str(ROOT)]
    subprocess.run(build, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    subprocess.run([sys.executable, "-m", "venv", str(tmp_path / "venv")], check=True)
    pip = [str(tmp_path / "venv" / "bin" / "pip"), "install", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*pip, "-c", str(ROOT / "deploy" / "constraints.txt"), str(wheel)], check=True)
    farpole = str(tmp_path / "venv" / "bin" / "farpole")
    elsewhere = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}

    plan = subprocess.run(
        [str(tmp_path / "venv" / "bin" / "python"), "-c", "from monitor.daemon.files import shipped; print(shipped())"],
        cwd=tmp_path,
        env=elsewhere,
        capture_output=True,
        text=True,
        check=True,
    )
    shipped = Path(plan.stdout.strip())
    assert tmp_path in shipped.parents
    budget = subprocess.run(
        [farpole, "budget", str(shipped / "tarrow-downs.yaml"), "--json"],
        cwd=tmp_path,
        env=elsewhere,
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(budget.stdout)["poles"]["creek"]["optical"]["margin_db"] > 0
    demo = subprocess.run(
        [farpole, "demo", "--headless", "--until-callout", "--json"],
        cwd=tmp_path,
        env=elsewhere,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert demo.returncode == 0, demo.stderr
    assert json.loads(demo.stdout)["pole"] == "creek"
