"""What an alarm turned out to be once it had cleared: a fact, from which its line for people is made."""

from collections.abc import Mapping
from enum import Enum
from typing import Final

from monitor.facts.words import say


class Settlement(Enum):
    """What it was. The values are kept in history and never change."""

    UNTOLD = ""
    """Nothing tells."""
    POWER = "power"
    PATH = "path"
    NOT_IN_PLAN = "not in the plan"


SAID: Final[Mapping[Settlement, str]] = {
    Settlement.UNTOLD: "",
    Settlement.POWER: say("it was power or the switch itself: its uptime restarted"),
    Settlement.PATH: say("it was the path: the switch ran on all the time"),
    Settlement.NOT_IN_PLAN: say("no longer in the plan"),
}
"""The line of each."""


def settle(restarted: bool | None) -> Settlement:
    """What a silence was, by whether the pole's switch restarted meanwhile."""
    if restarted is None:
        return Settlement.UNTOLD
    return Settlement.POWER if restarted else Settlement.PATH
