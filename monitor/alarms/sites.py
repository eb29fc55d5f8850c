"""Sites of a centre that are silent: one alarm each, never one for each of their poles; and one if all are at once."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Final

from monitor.alarms.book import Change, Condition, Key
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.messages import Kind, Message, span
from monitor.facts import resources
from monitor.facts.words import ENGLISH, Moment, say

SIGNS_MISSED: Final = 5
"""A site is silent when so many signs of life in a row have not come (common practice, no source)."""
SILENT, CUT_OFF = "site-silent", "centre-cut-off"


@dataclass(frozen=True, slots=True)
class Heard:
    """When a site was last heard (UTC seconds), and how often it means to be."""

    name: str
    heard_s: float
    alive_s: float


def is_silent(one: Heard, now_s: float, listening_since_s: float) -> bool:
    """Has a site missed its signs of life, while somebody listened?"""
    return now_s - max(one.heard_s, listening_since_s) > SIGNS_MISSED * one.alive_s


def of_sites(heard: Iterable[Heard], now_s: float, listening_since_s: float, zone: tzinfo) -> list[Condition]:
    """A condition for each site that was ever heard. Where all of several are silent, it is the centre's own line."""
    sites = list(heard)
    silent = [one for one in sites if is_silent(one, now_s, listening_since_s)]
    cut_off = len(sites) > 1 and len(silent) == len(sites)
    last_s = max((one.heard_s for one in sites), default=0.0)
    words = say(
        "no site is heard: the last was {site} at {at}",
        site=max(sites, key=lambda one: one.heard_s).name if sites else "",
        at=Moment(datetime.fromtimestamp(last_s, zone)),
    )
    own = Condition(Key(resources.ITSELF, CUT_OFF), INVENTORY[CUT_OFF].severity if cut_off else None, words)
    found = [own]
    for one in sites:
        text = say("the last sign of life came at {at}", at=Moment(datetime.fromtimestamp(one.heard_s, zone)))
        severity = INVENTORY[SILENT].severity if one in silent else None
        root = resources.ITSELF if cut_off else ""
        found.append(Condition(Key(resource_of(one.name), SILENT), severity, text, root))
    return found


def resource_of(site: str) -> str:
    """A site as a resource."""
    return f"site/{site}"


def message_of(change: Change, to: str, zone: tzinfo) -> Message | None:
    """What somebody is told of a change; None of one that is no news for people."""
    kinds: dict[str, Kind] = {"raised": "callout", "raised again": "callout", "cleared": "all clear"}
    kind = kinds.get(change.what)
    alarm = change.alarm
    if kind is None or alarm.root:
        return None
    what = INVENTORY[alarm.key.type]
    named = alarm.key.resource.removeprefix("site/")
    at = Moment(datetime.fromtimestamp(change.at_s, zone))
    if kind == "all clear":
        subject = say("{site} is heard again", site=named)
        body = say("{site}: heard again at {at}, after {lasted}.", site=named, at=at, lasted=span(_lasted_s(change)))
    else:
        subject = say("{site} is silent", site=named) if alarm.key.type == SILENT else say("No site is heard")
        pattern = "{site}: {text}.\nWhat to do: {to_do}.\nSince {at}."
        body = say(pattern, site=named, text=alarm.text, to_do=what.to_do, at=at)
    told = (ENGLISH.say(subject), ENGLISH.say(body))
    return Message(to, to, kind, alarm.key.resource, alarm.key.type, *told, change.at_s, change.at_s)


def _lasted_s(change: Change) -> float:
    return change.at_s - change.alarm.raised_s
