"""Several loads of one pole struck within seconds are one event: one alarm of the pole, the others linked to it."""

from collections.abc import Callable, Iterator, Mapping, Sequence

from monitor.alarms.book import Alarm, Book, Condition, Key
from monitor.alarms.cause import Cause
from monitor.alarms.inventory import INVENTORY
from monitor.facts import resources
from monitor.plan.parts import Plan, Pole

TOGETHER_S = 240.0
"""How far apart alarms of one blow come, with their on-delays (common practice, no source)."""
STRUCK = "ports-struck"
_FOLLOWS = frozenset(("service-refused", "stream-broken", "stream-thin", "load-quiet"))
_MEMBERS = frozenset(
    ("load-silent", "poe-port-fault", "port-cut", "service-refused", "stream-broken", "load-quiet", "frames-broken")
)


def of_poles(plan: Plan, book: Book, why: Callable[[str], Cause]) -> Iterator[Condition]:
    """Conditions of the poles at which several loads are in trouble since the same moment, and of their members."""
    yield from _of_silent_loads(book)
    for pole in plan.poles:
        members = _members(pole, book)
        standing = book.alarms.get(Key(pole.name, STRUCK))
        loads = {load for load, _ in members}
        if len(loads) > 1:
            names = ", ".join(sorted(loads))
            text = f"{len(loads)} loads of {pole.name} at once: {names}"
            raised = standing is not None and not standing.cleared
            cause = standing.cause if raised and standing is not None else why(pole.name)
            yield Condition(Key(pole.name, STRUCK), INVENTORY[STRUCK].severity, text, cause=cause)
            for _, alarm in members:
                yield Condition(alarm.key, alarm.severity, alarm.text, root=pole.name, cause=alarm.cause)
        elif standing is not None and not standing.cleared:
            yield Condition(Key(pole.name, STRUCK), None)


def _of_silent_loads(book: Book) -> Iterator[Condition]:
    """What else is wrong with a load that does not answer at all follows from that."""
    for key, alarm in book.alarms.items():
        if key.type in _FOLLOWS and not alarm.cleared and not alarm.root and _is_silent(book, key.resource):
            yield Condition(key, alarm.severity, alarm.text, root=key.resource, cause=alarm.cause)


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


def rooted(conditions: Sequence[Condition], book: Book) -> list[Condition]:
    """The same conditions; those of members keep the root that they were given, as long as that one stands."""
    found = []
    for one in conditions:
        alarm = book.alarms.get(one.key)
        if one.severity is not None and not one.root and alarm is not None and alarm.root and not alarm.cleared:
            root = book.alarms.get(Key(alarm.root, STRUCK))
            follows = one.key.type in _FOLLOWS and alarm.root == one.key.resource and _is_silent(book, one.key.resource)
            if follows or (root is not None and not root.cleared):
                one = Condition(one.key, one.severity, one.text, alarm.root, one.impacted, one.cause, one.settled)
        found.append(one)
    return found
