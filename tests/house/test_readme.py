"""The README's way to the first pole, followed literally on an empty machine account, and timed."""

import asyncio
import os
import re
import shutil
import subprocess
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEN_MINUTES_S = 600.0

pytestmark = pytest.mark.whole


def fresh_clone(folder: Path) -> Path:
    """What somebody gets who clones the project: the files that git knows, and no others."""
    files = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True, text=True).stdout
    for name in filter(None, files.split("\0")):
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, folder / name)
    return folder


def steps() -> tuple[list[str], str]:
    """The commands of "Your first pole in ten minutes", in their order, and its example of secrets."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    part = text.partition("## Your first pole in ten minutes")[2].partition("\n## ")[0]
    said = [" ".join(one.split()) for one in re.findall(r"`([^`]+)`", part)]
    commands = [one for one in said if one.startswith(("sh ", "cp ", "chmod ", ".venv/bin/farpole "))]
    secrets = re.search(r"\n\n((?:       .*\n)+)", part)
    assert secrets
    return commands, "\n".join(line[7:] for line in secrets[1].splitlines()) + "\n"


class Account:
    """A machine account with nothing in it, and a clone."""

    def __init__(self, folder: Path) -> None:
        self.clone, home = fresh_clone(folder / "farpole"), folder / "home"
        home.mkdir()
        self.bare = {"HOME": str(home), "PATH": os.environ["PATH"], "LANG": "C.UTF-8", "PIP_NO_COMPILE": "1"}
        self.bare |= {name: value for name, value in os.environ.items() if name.startswith("PIP_")}

    def do(self, words: str, fine: tuple[int, ...] = (0, 1)) -> str:
        """Type a command; what it says. 1 is an answer, too: a budget that is negative, an alarm that stands."""
        done = subprocess.run(words, shell=True, cwd=self.clone, env=self.bare, capture_output=True, text=True)
        assert done.returncode in fine, (words, done.stderr)
        return done.stdout

    async def run(self, words: str) -> asyncio.subprocess.Process:
        """Run the daemon in a network of its own with nobody in it."""
        alone = ["unshare", "--net", "sh", "-c", f"ip link set lo up; exec {words}"]
        pipe = asyncio.subprocess.PIPE
        return await asyncio.create_subprocess_exec(*alone, cwd=self.clone, env=self.bare, stderr=pipe)


async def test_the_first_pole_by_the_readmes_commands(tmp_path: Path) -> None:
    if os.geteuid() != 0 or shutil.which("unshare") is None:
        pytest.skip("needs root and unshare: the plan's devices are asked in a network of the test's own")
    began_s = time.monotonic()
    account, (commands, secrets) = Account(tmp_path), steps()
    tried = [one for one in commands if not one.startswith((".venv/bin/farpole init", "sh deploy/install"))]
    running = next(one for one in tried if " run " in one)
    (account.clone / "secrets.yaml").write_text(secrets, encoding="utf-8")
    for words in tried[: tried.index(running)]:
        said = account.do(words)
        assert "budget" not in words or "== creek" in said
    daemon = await account.run(running)
    try:
        await answered(account, tried[tried.index(running) + 1 :])
    finally:
        daemon.terminate()
        _, err = await asyncio.wait_for(daemon.communicate(), 20)
    assert "watching Tarrow Downs: 4 poles" in err.decode()
    assert time.monotonic() - began_s < TEN_MINUTES_S


async def answered(account: Account, commands: list[str]) -> None:
    """The commands that look at it, the first as soon as there is something to see."""
    for _ in range(100):
        if "Tarrow Downs" in account.do(commands[0], (0, 3)):
            break
        await asyncio.sleep(0.3)
    for words in commands:
        account.do(words)
