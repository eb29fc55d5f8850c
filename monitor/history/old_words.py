"""What an early farpole only said of an alarm, as facts: its signs, whom it hid from sight, what it turned out to be.

Histories before schema 0007, and sites that are still of one, have the sentences alone. They are read here, where such
rows come in and nowhere else, in the words that farpole had for them then; these stay, whatever the sentences become.
"""

import json
import re
from typing import Any

_SETTLED = (
    ("it was power", "power"),
    ("it was the path", "path"),
    ("no longer in the plan", "not in the plan"),
)
_SIGNS = {
    "less light arrives from it": "light_near_fell",
    "less light arrives at it": "light_far_fell",
    "the light comes and goes": "light_comes_and_goes",
    "frames arrive broken on the uplink": "frame_errors",
    "its optic is hot": "optic_hot",
    "the feeder's resistance has risen": "loop_rose",
    "frames are thrown away for want of room": "discards",
    "the uplink is nearly full": "uplink_full",
    "broadcast comes in on many ports": "broadcast",
    "the spanning tree changes": "tree_changes",
    "the switch's agent answers slowly": "agent_slow",
    "the sun shines and nothing charges": "no_charge_in_sun",
    "its battery has not been full for days": "never_full",
    "frames arrive broken at the port": "port_errors",
    "late collisions are counted": "late_collisions",
    "the port's watts rise and fall again and again": "watts_saw_tooth",
    "overloads are counted": "overloads",
    "shorts are counted": "shorts",
    "ports were cut for want of the device's signature": "mps_lost",
    "power was denied for want of budget": "denials",
    "next to nothing comes from it": "few_octets",
    "reports a PoE fault": "port_fault",
}
_HIDDEN = re.compile(r"not seen behind it: (.*?)(?:\. Most likely |\. Cannot be told from here: |$)", re.DOTALL)


def _settlement(line: str) -> str:
    """What an old line of a settlement says."""
    return next((word for words, word in _SETTLED if line.startswith(words)), "")


def _signs(text: str) -> list[str]:
    """The signs that an old sentence names."""
    return sorted(name for words, name in _SIGNS.items() if words in text)


def _impacted(text: str) -> list[str]:
    """The places that an old sentence says are not seen."""
    found = _HIDDEN.search(text)
    return found[1].rstrip(".").split(", ") if found else []


def facts_of_alarm(text: str, settled: str) -> dict[str, Any]:
    """The facts of an alarm's row, from its sentences.

    >>> facts_of_alarm("gate: shorts are counted", "")
    {'settlement': '', 'signs': '["shorts"]'}
    """
    return {"settlement": _settlement(settled), "signs": json.dumps(_signs(text))}


def facts_of_change(what: str, text: str, note: str) -> dict[str, Any]:
    """The facts of the row of a change, from its sentences.

    >>> facts_of_change("cleared", "creek is silent; not seen behind it: ridge.", "it was the path: …")
    {'settlement': 'path', 'impacted': '["ridge"]'}
    """
    return {"settlement": _settlement(note) if what == "cleared" else "", "impacted": json.dumps(_impacted(text))}
