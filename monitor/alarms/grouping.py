"""Several loads of one pole struck within seconds are one event: one alarm of the pole, the others linked to it."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

from monitor.alarms.book import Alarm, Book, Condition, Key
from monitor.alarms.cause import Cause
from monitor.alarms.conditions import hiding
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.states import Severity
from monitor.facts import resources
from monitor.facts.words import say
from monitor.plan.parts import Plan, Pole

TOGETHER_S = 240.0
"""How far apart alarms of one blow come, with their on-delays (common practice, no source)."""
STRUCK, SILENT = "ports-struck", "pole-silent"
_FOLLOWS = frozenset(("service-refused", "stream-broken", "stream-thin", "load-quiet"))
_MEMBERS = frozenset(
    ("load-silent", "poe-port-fault", "port-cut", "service-refused", "stream-broken", "load-quiet", "frames-broken")
)


def of_poles(plan: Plan, book: Book, why: Callable[[str], Cause]) -> Iterator[Condition]:
    """Conditions of the poles at which several loads are in trouble since the same moment, and of their members."""
    yield from _of_silent_loads(book)
    yield from _behind_silent_radios(plan, book)
    for pole in plan.poles:
        members = _members(pole, book)
        standing = book.alarms.get(Key(pole.name, STRUCK))
        loads = {load for load, _ in members}
        if len(loads) > 1:
            names = ", ".join(sorted(loads))
            text = say(
                "{count} loads at {pole} stopped at once: {names}", count=len(loads), pole=pole.name, names=names
            )
            cause = why(pole.name)
            own = {resources.load(pole.name, load.name) for load in pole.loads}
            behind = tuple(sorted(p for r, p in _radios(plan).items() if r in own and _stands(book, p)))
            severity = Severity.CRITICAL if behind else INVENTORY[STRUCK].severity
            yield Condition(Key(pole.name, STRUCK), severity, text, impacted=behind, cause=cause)
            for _, alarm in members:
                yield Condition(alarm.key, alarm.severity, alarm.text, root=pole.name, cause=alarm.cause)
        elif standing is not None and not standing.cleared:
            yield Condition(Key(pole.name, STRUCK), None)


def _of_silent_loads(book: Book) -> Iterator[Condition]:
    """What else is wrong with a load that does not answer at all follows from that."""
    for key, alarm in book.alarms.items():
        if key.type in _FOLLOWS and not alarm.cleared and not alarm.root and _is_silent(book, key.resource):
            yield Condition(key, alarm.severity, alarm.text, root=key.resource, cause=alarm.cause)


def _behind_silent_radios(plan: Plan, book: Book) -> Iterator[Condition]:
    """A pole behind a radio that does not answer is silent because of that."""
    for radio, pole in _radios(plan).items():
        alarm = book.alarms.get(Key(pole, SILENT))
        if alarm is not None and not alarm.cleared and not alarm.root and _is_silent(book, radio):
            yield Condition(alarm.key, alarm.severity, alarm.text, root=radio, cause=alarm.cause)


def _radios(plan: Plan) -> dict[str, str]:
    """Radio, as a resource, → the pole behind it."""
    at = {load.name: resources.load(pole.name, load.name) for pole in plan.poles for load in pole.loads}
    return {at[pole.reached_by.radio]: pole.name for pole in plan.poles if pole.reached_by is not None}


def _stands(book: Book, pole: str) -> bool:
    alarm = book.alarms.get(Key(pole, SILENT))
    return alarm is not None and not alarm.cleared


def _is_silent(book: Book, load: str) -> bool:
    silent = book.alarms.get(Key(load, "load-silent"))
    return silent is not None and not silent.cleared


def _members(pole: Pole, book: Book) -> Sequence[tuple[str, Alarm]]:
    """(load, alarm) of the largest set of this pole's load alarms that began together."""
    names = {resources.load(pole.name, load.name): load.name for load in pole.loads}
    names |= {resources.port(pole.name, load.port): load.name for load in pole.loads}
    found = [
        (names[key.resource], alarm)
        for key, alarm in book.alarms.items()
        if key.resource in names and key.type in _MEMBERS and not alarm.cleared and alarm.root in _roots(pole, names)
    ]
    found.sort(key=lambda pair: pair[1].raised_s)
    best: Sequence[tuple[str, Alarm]] = ()
    for i, (_, first) in enumerate(found):
        together = [pair for pair in found[i:] if pair[1].raised_s - first.raised_s <= TOGETHER_S]
        if len(together) > len(best):
            best = together
    return best


def _roots(pole: Pole, names: Mapping[str, str]) -> set[str]:
    return {"", pole.name, *names}


def rooted(conditions: Sequence[Condition], book: Book, plan: Plan) -> list[Condition]:
    """The same conditions; those of members keep the root that they were given, as long as that one stands.

    A radio that does not answer is as severe as the silence of the pole behind it, which it explains.
    """
    if not conditions:
        return []
    found, radios = [], _radios(plan)
    for one in conditions:
        alarm = book.alarms.get(one.key)
        if one.severity is not None and not one.root and alarm is not None and alarm.root and not alarm.cleared:
            root = book.alarms.get(Key(alarm.root, STRUCK))
            follows = one.key.type in _FOLLOWS and alarm.root == one.key.resource and _is_silent(book, one.key.resource)
            behind = one.key.type == SILENT and radios.get(alarm.root) == one.key.resource
            if follows or (behind and _is_silent(book, alarm.root)) or (root is not None and not root.cleared):
                one = replace(one, root=alarm.root)
        pole = radios.get(one.key.resource, "")
        if one.severity is not None and one.key.type == "load-silent" and _stands(book, pole):
            text = hiding(one.text, (pole,))
            one = replace(one, severity=Severity.CRITICAL, text=text, impacted=(pole,))
        found.append(one)
    return found
