"""A plan with a survey's findings filled in: hardware addresses, and devices that nobody had written down.

The text is changed as little as possible: what stands in it, comments and all, stays.
"""

import re
from collections.abc import Iterable
from typing import Protocol

from monitor.plan.parts import Plan


class Seen(Protocol):
    """A device that a survey has placed."""

    @property
    def mac(self) -> str:
        """Its hardware address."""
        ...

    @property
    def place(self) -> str:
        """The pole."""
        ...

    @property
    def port(self) -> str:
        """The port."""
        ...

    @property
    def addresses(self) -> tuple[str, ...]:
        """Its addresses."""
        ...


MARK = "# UNKNOWN: a survey cannot see it; measure it or take it from the datasheet"


def proposed(text: str, plan: Plan, seen: Iterable[Seen]) -> str:
    """The plan's text with hardware addresses of its loads, and unknown devices as comments to be completed."""
    additions: dict[str, list[Seen]] = {}
    for one in seen:
        pole = next((pole for pole in plan.poles if pole.name == one.place), None)
        if pole is None:
            continue
        load = next((load for load in pole.loads if load.address and load.address in one.addresses), None)
        if load is None:
            if not any(load.mac and load.mac.lower() == one.mac for load in pole.loads):
                additions.setdefault(pole.name, []).append(one)
        elif not load.mac:
            text = _with_mac(text, load.name, one.mac)
    lines = [line for pole, several in additions.items() for line in _unknown(pole, several)]
    return text if not lines else text.rstrip("\n") + "\n\n" + "\n".join(lines) + "\n"


def _with_mac(text: str, name: str, mac: str) -> str:
    """Put the hardware address beside the load's name, in either way of writing a mapping."""
    quoted = re.escape(name)
    in_braces = re.compile(rf"(\{{\s*name:\s*[\"']?{quoted}[\"']?)(?=\s*[,}}])")
    if in_braces.search(text):
        return in_braces.sub(rf'\g<1>, mac: "{mac}"', text, count=1)
    in_lines = re.compile(rf"(?m)^(\s*)(- )?name:\s*[\"']?{quoted}[\"']?\s*(#.*)?$")
    found = in_lines.search(text)
    if found is None:
        return text
    indent = found[1] + (" " * len(found[2]) if found[2] else "")
    return text[: found.end()] + f'\n{indent}mac: "{mac}"' + text[found.end() :]


def _unknown(pole: str, several: list[Seen]) -> list[str]:
    lines = [f"# Found at {pole} and not in the plan; put what belongs to you under its loads:"]
    for one in several:
        address = f"address: {one.addresses[0]}, " if one.addresses else ""
        lines.append(
            f'#   - {{name: {pole}-port-{one.port}, kind: other, port: "{one.port}", {address}mac: "{one.mac}", '
            "poe_class: 0, watts: 0, cable_m: 0}"
        )
        lines.append(f"#     poe_class, watts, cable_m {MARK[2:]}")
    return lines
