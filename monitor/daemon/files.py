"""Files that farpole reads: its shipped config, the user's plan and datasheets."""

import io
import zoneinfo
from importlib import resources
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from monitor.plan.datasheets import Sheets, read_sheets
from monitor.plan.meaning import read_plan
from monitor.plan.parts import Plan
from monitor.plan.text import MOST_CHARACTERS, NotRight, Problem


def shipped() -> Path:
    """The folder ``config``: inside the installed package, or beside it in a checkout."""
    inside = Path(str(resources.files("monitor"))) / "config"
    return inside if inside.is_dir() else inside.parent.parent / "config"


def as_yaml(document: dict[str, Any]) -> str:
    """A document as the text of a YAML file."""
    out = io.StringIO()
    YAML(typ="safe").dump(document, out)
    return out.getvalue()


def text_of(file: Path) -> str:
    """The text of a file, and of one that is too long no more than it takes to see that; raises OSError, ValueError."""
    with file.open(encoding="utf-8") as opened:
        return opened.read(MOST_CHARACTERS + 1)


def sheet_texts(*more: Path) -> dict[str, str]:
    """The shipped datasheets, and those in further folders, as text by file."""
    return {
        str(file): text_of(file)
        for folder in dict.fromkeys(f.resolve() for f in (shipped() / "datasheets", *more))
        for file in sorted(folder.glob("*.yaml"))
    }


def load_sheets(plan_file: Path | None = None) -> Sheets:
    """The shipped datasheets, overridden by those in ``datasheets/`` beside the plan."""
    texts = sheet_texts(*([plan_file.parent / "datasheets"] if plan_file else []))
    return read_sheets(texts, frozenset(zoneinfo.available_timezones()))


def load_plan(plan_file: Path) -> tuple[Plan, Sheets]:
    """A plan and the datasheets that it names; raises NotRight with everything that is wrong."""
    try:
        text = text_of(plan_file)
    except (OSError, UnicodeDecodeError) as error:
        raise NotRight([Problem(1, "", f"cannot be read: {error}", str(plan_file))]) from None
    sheets = load_sheets(plan_file)
    return read_plan(text, sheets, str(plan_file)), sheets
