"""The bill of materials: what farpole brings along, with versions and licences as the packages themselves say them."""

import re
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]
EXTRAS = ("survey", "sun", "postgresql", "report", "centre", "parquet", "review", "languages")
_SHORT = {
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD",
    "GNU Lesser General Public License v3 (LGPLv3)": "LGPL-3.0",
    "GNU Library or Lesser General Public License (LGPL)": "LGPL",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-2.0",
}


_IN_ITS_FILE = {"pysnmp": "BSD-2-Clause"}
"""What says it in its LICENSE file alone; read there."""


def licence(name: str) -> str:
    """What a package says of its licence: its expression, its classifiers, or the first line of its text."""
    if name in _IN_ITS_FILE:
        return _IN_ITS_FILE[name]
    found: Any = metadata.metadata(name)
    expression = found.get("License-Expression")
    if expression:
        return str(expression)
    classed = [c.split(" :: ")[-1] for c in found.get_all("Classifier") or () if c.startswith("License :: OSI")]
    if classed:
        return " or ".join(_SHORT.get(one, one) for one in dict.fromkeys(classed))
    return str(found.get("License") or "not said").strip().splitlines()[0][:60]


def named(requirement: str) -> str:
    """The canonical name of a requirement."""
    return re.sub(r"[-_.]+", "-", Requirement(requirement).name).lower()


def closure(wanted: list[str]) -> set[str]:
    """Everything that these requirements bring along, themselves included; what is not installed is left out."""
    found: set[str] = set()
    waiting = [Requirement(one) for one in wanted]
    while waiting:
        one = waiting.pop()
        name = re.sub(r"[-_.]+", "-", one.name).lower()
        try:
            needs = metadata.requires(name) or []
        except metadata.PackageNotFoundError:
            continue
        if name in found:
            continue
        found.add(name)
        for text in needs:
            need = Requirement(text)
            environments = [{"extra": extra} for extra in (*one.extras, "")]
            if need.marker is None or any(need.marker.evaluate(environment) for environment in environments):
                waiting.append(need)
    return found


def project() -> dict[str, list[str]]:
    """Group → requirements: the core as ``core``, each extra by its name."""
    whole = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return {"core": whole["dependencies"], **{name: whole["optional-dependencies"][name] for name in EXTRAS}}


def rows() -> Iterator[tuple[str, str, str, str]]:
    """Package, version, licence, and for what it is brought along."""
    groups = {name: closure(wanted) for name, wanted in project().items()}
    direct = {named(one) for wanted in project().values() for one in wanted}
    for name in sorted(set().union(*groups.values())):
        into = "core" if name in groups["core"] else ", ".join(g for g, names in groups.items() if name in names)
        mark = "" if name in direct else " (through another)"
        yield name, metadata.version(name), licence(name), into + mark


def table() -> str:
    """The bill as Markdown."""
    lines = ["| package | version | licence | for |", "|---|---|---|---|"]
    return "\n".join([*lines, *(f"| {a} | {b} | {c} | {d} |" for a, b, c, d in rows())])
