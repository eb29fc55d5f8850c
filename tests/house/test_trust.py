"""What TRUST.md names as shown is there to be run."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
TOLD = (ROOT / "tests" / "TRUST.md").read_text(encoding="utf-8")
NAMED = re.compile(r"`(tests/[\w/]+\.py)::(test_\w+)`")


def test_every_test_that_is_named_is_there() -> None:
    named = NAMED.findall(TOLD)
    assert len(named) > 40
    lacking = [
        f"{file}::{name}"
        for file, name in named
        if not re.search(rf"^(async )?def {name}\(", (ROOT / file).read_text(encoding="utf-8"), re.MULTILINE)
    ]
    assert lacking == []


def test_each_row_of_an_attack_is_shown_or_says_that_it_is_not() -> None:
    rows = [
        line
        for line in TOLD.splitlines()
        if line.startswith("|") and not line.startswith(("|---", "| who", "| what", "| item"))
    ]
    bare = [row for row in rows if row.count("|") == 5 and not NAMED.search(row)]
    assert bare == []
