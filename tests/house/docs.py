"""The parts of the documentation that are generated: python -m tests.house.docs writes them."""

import argparse
import re
from pathlib import Path

from monitor.alarms.inventory import INVENTORY
from monitor.alarms.observables import EVERY
from monitor.alarms.signs import CONTEXTS, SIGNS
from monitor.alarms.states import diagram
from monitor.cli.main import parser
from tests.house.bom import table
from tests.house.catalogue import POT, catalogue
from tests.house.plan_reference import reference

ROOT = Path(__file__).parents[2]


def commands() -> str:
    """Every command with its arguments and options, as Markdown."""
    whole = parser()
    (choices,) = (a for a in whole._actions if isinstance(a, argparse._SubParsersAction))
    lines = []
    for name, one in choices.choices.items():
        usage = " ".join(one.format_usage().removeprefix("usage: ").split())
        lines += [f"### farpole {name}", "", one.description or "", "", f"    {usage}", ""]
        for action in one._actions:
            if action.dest != "help":
                title = ", ".join(action.option_strings) or action.dest
                lines.append(f"- `{title}`: {(action.help or '').replace('%(default)s', str(action.default))}")
        lines.append("")
    return "\n".join(lines).rstrip()


def inventory() -> str:
    """The alarm types as a table."""
    rows = ["| type | severity | means | probable cause (X.733) | on / off delay, rounds |", "|---|---|---|---|---|"]
    rows += [
        f"| {k.name} | {k.severity.value} | {k.meaning} | {k.probable_cause} | {k.on_rounds} / {k.off_rounds} |"
        for k in INVENTORY.values()
    ]
    return "\n".join(rows)


def states() -> str:
    """The state table's own drawing."""
    return f"```mermaid\n{diagram()}\n```"


def observables() -> str:
    """What a file of evidence may say, as a table."""
    rows = ["| name | says |", "|---|---|"]
    rows += [f"| `{name}` | {words} |" for name, (words, _) in EVERY.items()]
    contexts = ", ".join(f"`{name}`" for name in CONTEXTS)
    signs = ", ".join(f"`{name}`" for name in SIGNS)
    return "\n".join([*rows, "", f"Contexts: {contexts}.", "", f"Signs: {signs}."])


def plan() -> str:
    """Every field that a plan knows, by part, as its models say."""
    return reference()


PARTS = {
    "README.md": {"commands": commands},
    "config/README.md": {"plan": plan},
    "DEVELOPERS.md": {"inventory": inventory, "states": states, "observables": observables, "bom": table},
}


def written(file: str) -> str:
    """The file with its generated parts as they should be."""
    text = (ROOT / file).read_text(encoding="utf-8")
    for name, make in PARTS[file].items():
        pattern = re.compile(rf"(<!-- {name}: [^>]*-->\n).*?(<!-- /{name} -->)", re.S)
        if not pattern.search(text):
            raise LookupError(f"{file} has no part {name}")
        body = make()
        text = pattern.sub(lambda found, body=body: f"{found[1]}{body}\n{found[2]}", text)  # type: ignore[misc]  # a default that binds the loop's name
    return text


if __name__ == "__main__":
    for file in PARTS:
        (ROOT / file).write_text(written(file), encoding="utf-8")
    POT.write_text(catalogue(), encoding="utf-8")
