"""TRUST.md names tests as its evidence: each of them is there, and each claim has one or says that it has none."""

import ast
import re
from functools import lru_cache
from pathlib import Path

import pytest

from tests.house.test_house import ROOT

TEXT = (ROOT / "tests" / "TRUST.md").read_text(encoding="utf-8")
NAMED = sorted(set(re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", TEXT)))
FILES = sorted(set(re.findall(r"`((?:tests|deploy|monitor)/[\w./@-]+)`", TEXT)))
ROWS = [line for line in TEXT.splitlines() if line.startswith("| ") and not line.startswith("| ---")]
WITHOUT = ("does not apply", "NOT TRIED", "not held", "by reading")


@lru_cache
def functions_of(file: Path) -> frozenset[str]:
    found = ast.walk(ast.parse(file.read_text(encoding="utf-8")))
    return frozenset(one.name for one in found if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef))


@pytest.mark.parametrize(("file", "name"), NAMED)
def test_a_test_that_is_named_is_there(file: str, name: str) -> None:
    assert (ROOT / file).is_file(), f"tests/TRUST.md names {file}, which is not there"
    assert name in functions_of(ROOT / file), f"tests/TRUST.md names {file}::{name}, which is not there"


@pytest.mark.parametrize("file", FILES)
def test_a_file_that_is_named_is_there(file: str) -> None:
    assert (ROOT / file).exists(), f"tests/TRUST.md names {file}, which is not there"


def test_nothing_that_looks_like_a_test_is_written_otherwise() -> None:
    """A name that the pattern above does not find would be believed without a look."""
    assert len(re.findall(r"::test_\w+", TEXT)) == len(re.findall(r"`tests/[\w/]+\.py::test_\w+`", TEXT))


@pytest.mark.parametrize("row", [row for row in ROWS if not row.startswith(("| what", "| item", "| who"))])
def test_each_row_has_evidence_or_says_that_it_has_none(row: str) -> None:
    assert "::test_" in row or any(words in row for words in WITHOUT), row


def test_no_item_of_the_standard_stands_twice() -> None:
    """Else one row could say that it holds and another that it does not."""
    items = re.findall(r"^\| (\d+\.\d+\.\d+)", TEXT, re.MULTILINE)
    assert items
    assert len(items) == len(set(items))
