"""Aliases of YAML (YAML 1.2.2, section 7.1) are taken, and cannot make a small file large, or endless."""

import time
from pathlib import Path

import pytest

from monitor.daemon.files import load_plan
from monitor.daemon.secrets import load_secrets
from monitor.daemon.tongues import load_tongues
from monitor.plan.datasheets import read_sheets
from monitor.plan.text import NotRight, parse


def laughs(ends: str, levels: int = 12) -> str:
    """The "billion laughs": each level is ten times the one before."""
    lines = ['l0: &l0 ["ha", "ha", "ha", "ha", "ha", "ha", "ha", "ha", "ha", "ha"]']
    lines += [f"l{i}: &l{i} [{', '.join([f'*l{i - 1}'] * 10)}]" for i in range(1, levels)]
    return "\n".join([*lines, ends, ""])


def merged(keys: int, times: int) -> str:
    """A mapping with many keys, merged into many others."""
    base = ", ".join(f"k{i}: 1" for i in range(keys))
    return f"base: &b {{{base}}}\nmany:\n" + "  - {<<: *b}\n" * times


LONG = f"a: &a {'x' * 100_000}\nb: [{', '.join(['*a'] * 5000)}]\n"
BOMBS = [laughs("site: x"), laughs("plan: *l11"), merged(5000, 20_000), LONG]
ENDLESS = ["a: &a [*a]\n", "a: &a {b: *a}\n", "a: &a {b: [1, {c: *a}]}\n", "a: &a\n  <<: *a\n"]


def test_a_staircase_of_aliases_is_no_deeper_than_brackets_may_be() -> None:
    stairs = "a0: &a0 [1]\n" + "".join(f"a{i}: &a{i} [*a{i - 1}]\n" for i in range(1, 1500))
    with pytest.raises(NotRight, match=r"aliases \(\*name\) make it deeper than"):
        parse(stairs, "plan.yaml")


@pytest.mark.parametrize("text", BOMBS)
def test_what_aliases_would_make_large_is_refused_at_once(text: str) -> None:
    began_s = time.process_time()
    with pytest.raises(NotRight) as told:
        parse(text, "plan.yaml")
    assert time.process_time() - began_s < 10
    (problem,) = told.value.problems
    assert "aliases (*name) make it larger than" in problem.message
    assert len(str(told.value)) < 300


@pytest.mark.parametrize("text", ENDLESS)
def test_what_contains_itself_is_refused(text: str) -> None:
    with pytest.raises(NotRight, match=r"\*a stands within what it names"):
        parse(text, "plan.yaml")


def test_an_alias_of_nothing_is_said() -> None:
    with pytest.raises(NotRight, match="not readable as YAML"):
        parse("a: *b\n", "plan.yaml")


def test_a_few_aliases_are_taken() -> None:
    text = "a: &a {b: 1, c: [2, 3]}\nd: *a\ne: {<<: *a, b: 4}\nf: 2 * 3 & 4\n"
    node = parse(text, "plan.yaml")
    assert (node["d"]["c"], node["e"]["b"], node["e"]["c"]) == ([2, 3], 4, [2, 3])


@pytest.mark.parametrize("text", BOMBS[1:])
def test_datasheets_and_secrets_likewise(text: str, tmp_path: Path) -> None:
    with pytest.raises(NotRight, match="aliases"):
        read_sheets({"mine.yaml": f"devices: {{}}\n{text}"})
    file = tmp_path / "secrets.yaml"
    file.touch(mode=0o600)
    file.write_text(f"secrets: {{}}\n{text}", encoding="utf-8")
    with pytest.raises(NotRight, match="aliases"):
        load_secrets(file, {}, [])


def test_a_catalogue_of_a_language_is_not_read_without_end(tmp_path: Path) -> None:
    (tmp_path / "languages").mkdir()
    with (tmp_path / "languages" / "de.po").open("wb") as opened:
        opened.truncate(2**40)  # in a file that takes no room
    with pytest.raises(NotRight, match=r"de\.po, line 1: is larger than"):
        load_tongues(tmp_path / "plan.yaml")


def test_nor_is_a_plan(tmp_path: Path) -> None:
    with (tmp_path / "plan.yaml").open("wb") as opened:
        opened.truncate(2**40)
    with pytest.raises(NotRight, match="more than 2000000 characters"):
        load_plan(tmp_path / "plan.yaml")
