"""What the review of a month makes of the alarms in the history, by their facts and not by their words."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.alarms.book import Book, Condition, Key, step
from monitor.alarms.settlement import Settlement
from monitor.alarms.states import Severity
from monitor.daemon.design import Design
from monitor.daemon.files import load_plan
from monitor.daemon.months import span_of
from monitor.daemon.reviewing import Reviewing
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.store import Store
from monitor.show.month import Available

MONTH, HOUR_S = "2026-10", 3600.0
TEN_S = 600.0


@pytest.fixture(scope="module")
def design(tarrow_text: str, tmp_path_factory: pytest.TempPathFactory) -> Design:
    """A site whose poles' names are pieces of each other: ``yard`` and ``yards``."""
    file = tmp_path_factory.mktemp("site") / "plan.yaml"
    file.write_text(tarrow_text.replace("creek", "yard"), encoding="utf-8")
    return Design.of(*load_plan(file))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "history.sqlite") as opened:
        yield opened


def outage(store: Store, condition: Condition, at_s: float, settlement: Settlement = Settlement.UNTOLD) -> None:
    """Ten minutes of an alarm, in which nothing answers: whoever it does not name is missed, and not charged to it."""
    heard(store, at_s)
    book, changes = step(Book(), [condition], at_s)
    store.record(changes)
    _, changes = step(book, [Condition(condition.key, None, settlement=settlement)], at_s + TEN_S)
    store.record(changes)


def heard(store: Store, at_s: float, missed_from: dict[str, int] = {}) -> None:  # noqa: B006  # never written to
    """A look at each pole every minute, from one before to the tenth after: answered at both ends."""
    rounds = []
    for pole in POLES:
        slot = Slot(resources.switch(pole), "uptime_seconds")
        for i in range(-1, 11):
            silent = missed_from.get(pole, 0) <= i < 10
            made = Round.blank(Layout(slot.resource, "reach", (slot,)), at_s + 60 * i, State.SILENT)
            if not silent:
                made.put(0, 1e6)
            rounds.append(made)
    store.keep(rounds)


def minutes(store: Store, design: Design) -> dict[str, tuple[float, float, float]]:
    """Pole → minutes of power, path and unknown."""
    _, to_s = span_of(MONTH, design.zone)
    rows: tuple[Available, ...] = Reviewing(store, design, MONTH, to_s + HOUR_S).month().available
    return {row.pole: (row.power_minutes, row.path_minutes, row.unknown_minutes) for row in rows}


NONE = (0.0, 0.0, 0.0)
POLES = ("yard", "yards", "woolshed", "ridge")


@pytest.mark.parametrize("words", ["{} is silent", "yard and its yards keep quiet about {}", ""])
def test_a_pole_is_charged_with_its_own_silence_in_whatever_words(store: Store, design: Design, words: str) -> None:
    begin_s, _ = span_of(MONTH, design.zone)
    silent = Condition(Key("yards", "pole-silent"), Severity.CRITICAL, words.format("yards"))
    outage(store, silent, begin_s + HOUR_S, Settlement.PATH)
    found = minutes(store, design)
    assert found["yards"] == (0.0, 10.0, 0.0)
    assert {pole: each for pole, each in found.items() if pole != "yards"} == dict.fromkeys({*found} - {"yards"}, NONE)


@pytest.mark.parametrize("words", ["supply/main is silent; not seen behind it: yards, ridge", "no light anywhere", ""])
def test_what_lies_behind_is_charged_by_the_impacted_resources(store: Store, design: Design, words: str) -> None:
    """RFC 8632 section 3.7, impacted resources: those that the alarm names are hidden by it, and no others."""
    begin_s, _ = span_of(MONTH, design.zone)
    lost = Condition(Key("supply/main", "supply-lost"), Severity.CRITICAL, words, impacted=("yards", "ridge"))
    outage(store, lost, begin_s + HOUR_S)
    hides = Condition(Key("yards", "pole-silent"), Severity.CRITICAL, words, impacted=("ridge",))
    outage(store, hides, begin_s + 9 * HOUR_S, Settlement.PATH)
    outage(store, hides, begin_s + 18 * HOUR_S, Settlement.POWER)
    found = minutes(store, design)
    assert found["yards"] == found["ridge"] == (20.0, 10.0, 0.0)
    assert found["yard"] == NONE


def test_who_is_hidden_only_later_is_charged_as_well(store: Store, design: Design) -> None:
    begin_s, _ = span_of(MONTH, design.zone)
    key = Key("yards", "pole-silent")
    heard(store, begin_s + HOUR_S, {"ridge": 1})
    book, changes = step(Book(), [Condition(key, Severity.CRITICAL, "so")], begin_s + HOUR_S)
    store.record(changes)
    book, changes = step(book, [Condition(key, Severity.CRITICAL, "so", impacted=("ridge",))], begin_s + HOUR_S + 60)
    store.record(changes)
    _, changes = step(book, [Condition(key, None, settlement=Settlement.POWER)], begin_s + HOUR_S + TEN_S)
    store.record(changes)
    found = minutes(store, design)
    assert found["yards"] == (10.0, 0.0, 0.0)
    assert found["ridge"] == (9.0, 0.0, 0.0), "from when it was hidden"
