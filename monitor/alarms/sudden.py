"""Signs that are worth an alarm by themselves: what has just changed at a pole, though no limit is near."""

from collections.abc import Iterator, Mapping
from typing import Final

from monitor.alarms.book import Condition, Key
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.signs import SIGNS, named
from monitor.facts import resources
from monitor.facts.words import listed, say
from monitor.plan.parts import Load, Plan, Pole

Found = Mapping[str, bool | None]

_OF_POLE: Final = {
    "light_near_fell": "light-fell",
    "light_far_fell": "light-fell",
    "light_comes_and_goes": "link-restless",
    "frame_errors": "frames-broken",
    "optic_hot": "optic-hot",
    "loop_rose": "loop-rose",
    "discards": "uplink-full",
    "uplink_full": "uplink-full",
    "broadcast": "broadcast-flood",
    "tree_changes": "tree-restless",
    "agent_slow": "agent-slow",
    "no_charge_in_sun": "not-charging",
    "never_full": "never-full",
}
_OF_LOAD: Final = {
    "port_errors": "frames-broken",
    "late_collisions": "frames-broken",
    "watts_saw_tooth": "port-restless",
    "overloads": "port-cut",
    "shorts": "port-cut",
    "mps_lost": "port-cut",
    "denials": "port-cut",
    "few_octets": "load-quiet",
}
"""Sign → the alarm type that it raises; several signs may raise the same."""


def of_pole(pole: Pole, plan: Plan, signs: Found) -> Iterator[Condition]:
    """What a pole that answers shows, its loads apart."""
    if pole.fibre is not None:
        near = (pole.fibre.start.pole or plan.headend.name, pole.fibre.start.port)
        far = (pole.name, pole.fibre.end.port)
        for sign, (place, port) in (("light_near_fell", near), ("light_far_fell", far)):
            yield from _one(resources.optic(place, port), {sign: signs.get(sign)}, {sign: "light-fell"})
        at_port = {
            name: kind for name, kind in _OF_POLE.items() if kind in ("link-restless", "frames-broken", "uplink-full")
        }
        yield from _one(resources.port(*far), signs, at_port)
        yield from _one(resources.optic(*far), signs, {"optic_hot": "optic-hot"})
    if pole.feeder is not None:
        yield from _one(resources.feeder(pole.name), signs, {"loop_rose": "loop-rose"})
    if pole.supply is not None:
        at_supply = {"no_charge_in_sun": "not-charging", "never_full": "never-full"}
        yield from _one(resources.supply(pole.supply), signs, at_supply)
    at_switch = {
        name: kind for name, kind in _OF_POLE.items() if kind in ("broadcast-flood", "tree-restless", "agent-slow")
    }
    yield from _one(resources.switch(pole.name), signs, at_switch)


def of_load(pole: str, load: Load, signs: Found) -> Iterator[Condition]:
    """What one load and its port show."""
    at_port = {name: kind for name, kind in _OF_LOAD.items() if kind != "load-quiet"}
    yield from _one(resources.port(pole, load.port), signs, at_port, load.name)
    yield from _one(resources.load(pole, load.name), signs, {"few_octets": "load-quiet"}, load.name)


def _one(resource: str, signs: Found, kinds: Mapping[str, str], who: str = "") -> Iterator[Condition]:
    """One condition for each alarm type whose signs are known at all."""
    for kind in dict.fromkeys(kinds.values()):
        mine = {name: signs.get(name) for name, of in kinds.items() if of == kind}
        if all(so is None for so in mine.values()):
            continue
        seen = named(*(name for name, so in mine.items() if so))
        severity = INVENTORY[kind].severity if seen else None
        words = listed(sign.seen for name, sign in SIGNS.items() if name in seen)
        text = say("{load}: {what}", load=who, what=words) if who else words
        yield Condition(Key(resource, kind), severity, text if seen else "", signs=seen)
