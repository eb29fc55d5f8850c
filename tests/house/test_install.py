"""deploy/install into a scratch root: twice, with a plan of one's own in between, and taken away again."""

import os
import re
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.whole
MOST_OCTETS = 200e6


def install(root: Path, *more: str) -> str:
    words = ["sh", str(ROOT / "deploy" / "install"), "--root", str(root), *more]
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def test_installed_twice_and_removed(tmp_path: Path) -> None:
    assert "Next: write" in install(tmp_path)
    secrets = tmp_path / "etc/farpole/secrets.yaml"
    assert stat.S_IMODE(secrets.stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "var/lib/farpole").stat().st_mode) == 0o750
    assert "CAP_NET_RAW" in (tmp_path / "etc/systemd/system/farpole-sweep@.service").read_text()
    assert (tmp_path / "etc/systemd/system/farpole-sweep.socket").exists()
    farpole = tmp_path / "opt/farpole/venv/bin/farpole"
    budget = subprocess.run(
        [farpole, "budget", tmp_path / "etc/farpole/plan.example.yaml"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        env={k: v for k, v in os.environ.items() if k != "PYTHONPATH"},
    )
    assert "== creek" in budget.stdout
    files = [file for file in (tmp_path / "opt/farpole").rglob("*") if file.is_file()]
    took = sum(file.stat().st_size for file in files if "scapy" not in file.parts)  # the extra "survey"
    assert took < MOST_OCTETS, f"{took / 1e6:.0f} MB: the box's card is small"

    (tmp_path / "etc/farpole/plan.yaml").write_text("mine", encoding="utf-8")
    secrets.write_text("mine too", encoding="utf-8")
    install(tmp_path, "--with", "languages")
    assert (tmp_path / "opt/farpole/extras").read_text() == "languages,survey\n"
    subprocess.run([farpole.with_name("python"), "-c", "import babel"], check=True)
    assert (tmp_path / "etc/farpole/plan.yaml").read_text() == "mine"
    assert secrets.read_text() == "mine too"

    assert "Left as they were" in install(tmp_path, "--remove")
    assert not (tmp_path / "opt/farpole").exists()
    assert not (tmp_path / "etc/systemd/system/farpole.service").exists()
    assert (tmp_path / "etc/farpole/plan.yaml").exists()


def test_an_unknown_option_is_refused() -> None:
    done = subprocess.run(
        ["sh", str(ROOT / "deploy" / "install"), "--nonsense"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")


def test_the_unit_is_understood_by_systemd(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here")
    unit = tmp_path / "farpole.service"
    text = (ROOT / "deploy" / "farpole.service").read_text(encoding="utf-8")
    unit.write_text(text.replace("/opt/farpole/venv/bin/farpole", "/bin/true"), encoding="utf-8")
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False)
    assert [line for line in done.stderr.splitlines() if "farpole.service" in line] == []


@pytest.mark.parametrize("name", ["farpole.service", "farpole-sweep@.service"])
def test_what_a_service_could_do_to_the_box_is_little(name: str, tmp_path: Path) -> None:
    """systemd.exec(5) by its own measure: 0 nothing, 10 everything."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here")
    unit = shutil.copy(ROOT / "deploy" / name, tmp_path / name.replace("@", "@x"))
    command = ["systemd-analyze", "security", "--offline=true", "--no-pager", str(unit)]
    said = subprocess.run(command, capture_output=True, text=True, check=False).stdout
    found = re.search(r"Overall exposure level for .*: ([\d.]+)", said)
    assert found
    assert float(found[1]) <= 2.0
