"""Shelves: what is planned calls nobody; what still stands when a shelf ends calls as if new (RFC 8632 section 4.5)."""

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.book import Book, Condition, Key, step
from monitor.alarms.callouts import messages_for
from monitor.alarms.shelves import Shelf, seasonal, shelve, until_of
from monitor.alarms.states import Operator, Severity
from monitor.plan.parts import Plan, Season

SYDNEY = ZoneInfo("Australia/Sydney")
SILENT = Key("creek", "pole-silent")
WINTER: Final = {"from": "05-01", "until": "08-31"}
DIGGING = Shelf("creek", "", 1000.0, 2000.0, "sam", "digging at the creek")


def standing() -> Book:
    book, _ = step(Book(), [Condition(SILENT, Severity.CRITICAL, "creek is silent.")], 1500.0)
    return book


def test_what_is_shelved_calls_nobody_and_calls_when_its_shelf_has_ended(tarrow: Plan) -> None:
    book, changes = shelve(standing(), [DIGGING], 1500.0)
    assert [(c.what, c.who, c.note) for c in changes] == [("shelved", "sam", "digging at the creek")]
    assert list(messages_for(changes, tarrow, SYDNEY, {})) == []
    assert shelve(book, [DIGGING], 1999.0) == (book, []), "said once"
    book, changes = shelve(book, [DIGGING], 2000.0)
    assert [(c.what, c.note) for c in changes] == [("un-shelved", "its shelf has ended")]
    (message,) = messages_for(changes, tarrow, SYDNEY, {})
    assert (message.kind, message.resource) == ("callout", "creek")


def test_what_healed_on_its_shelf_says_nothing_when_that_ends(tarrow: Plan) -> None:
    book, _ = shelve(standing(), [DIGGING], 1500.0)
    book, _ = step(book, [Condition(SILENT, None)], 1600.0)
    book, changes = shelve(book, [DIGGING], 2500.0)
    assert list(messages_for(changes, tarrow, SYDNEY, {})) == []
    assert book.alarms[SILENT].operator is Operator.UNSHELVED


@pytest.mark.parametrize(
    ("shelf", "covered"),
    [
        (Shelf("creek", "", 0, 9e9, "", ""), True),
        (Shelf("creek/port/5", "", 0, 9e9, "", ""), True),
        (Shelf("creek", "frames-broken", 0, 9e9, "", ""), True),
        (Shelf("creek", "light-low", 0, 9e9, "", ""), False),
        (Shelf("yards", "", 0, 9e9, "", ""), False),
        (Shelf("creek/port/1", "", 0, 9e9, "", ""), False),
    ],
)
def test_what_a_shelf_covers(shelf: Shelf, covered: bool) -> None:
    assert shelf.covers(Key("creek/port/5", "frames-broken")) is covered


def test_seasons_come_round_every_year_also_over_its_end(tarrow: Plan) -> None:
    winter = Season(places=["ridge"], types=["never-full"], **{"from": "05-01"}, until="08-31", reason="winter sun")
    summer = Season(places=["yards"], **{"from": "12-01"}, until="02-28", reason="cattle away")
    plan = tarrow.model_copy(update={"shelves": [winter, summer]})

    def at(text: str) -> list[tuple[str, str]]:
        now_s = datetime.fromisoformat(text).replace(tzinfo=SYDNEY).timestamp()
        found = seasonal(plan, now_s, SYDNEY)
        assert all(one.lasts(now_s) for one in found)
        return [(one.resource, one.type) for one in found]

    assert at("2026-07-10T12:00") == [("ridge", "never-full")]
    assert at("2026-12-31T23:59") == at("2027-02-28T23:59") == [("yards", "")]
    assert at("2026-10-01T00:00") == []
    assert at("2026-05-01T00:00") == at("2026-08-31T23:59:59") == [("ridge", "never-full")], "the whole of both days"


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("90m", 1.5),
        ("6h", 6),
        ("3d", 72),
        ("12:00", 2),
        ("10:00", 24),
        ("09:59", 24 - 1 / 60),
        ("2026-03-02T10:00", 24),
        ("2026-03-01T00:00+00:00", 1),
    ],
)
def test_a_time_as_people_write_it(text: str, hours: float) -> None:
    """It is ten in the morning in Sydney (UTC+11 in summer); a time without a zone is the site's."""
    now_s = datetime(2026, 3, 1, 10, 0, tzinfo=SYDNEY).timestamp()
    assert until_of(text, now_s, SYDNEY) - now_s == pytest.approx(hours * 3600)


@pytest.mark.parametrize("text", ["tomorrow", "25:00", "6", "h", "12:5", "²h"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no time"):
        until_of(text, 0.0, SYDNEY)


def test_a_season_shelves_from_midnight_to_midnight_by_the_sites_clock(tarrow: Plan) -> None:
    winter = Season(places=["ridge", "yards"], types=["never-full", "not-charging"], **WINTER, reason="winter sun")
    now_s = datetime(2026, 6, 1, 15, 34, 56, 789, tzinfo=SYDNEY).timestamp()
    found = seasonal(tarrow.model_copy(update={"shelves": [winter]}), now_s, SYDNEY)
    midnight_s = datetime(2026, 6, 1, tzinfo=SYDNEY).timestamp()
    assert {(one.from_s, one.until_s, one.who, one.note) for one in found} == {
        (midnight_s, midnight_s + 86_400, "the plan", "winter sun")
    }
    assert [(one.resource, one.type) for one in found] == [
        (place, kind) for place in ("ridge", "yards") for kind in ("never-full", "not-charging")
    ]


def test_a_shelf_is_in_force_from_its_first_second_to_before_its_last() -> None:
    assert [DIGGING.lasts(at_s) for at_s in (999.5, 1000.0, 1999.5, 2000.0)] == [False, True, True, False]


def test_what_does_not_stand_is_not_shelved_and_what_is_shelved_is_not_shelved_again() -> None:
    cleared, _ = step(standing(), [Condition(SILENT, None)], 1510.0)
    assert shelve(cleared, [DIGGING], 1520.0) == (cleared, [])
    assert shelve(standing(), [], 1520.0)[1] == []
    book, _ = shelve(standing(), [DIGGING], 1520.0)
    assert book.alarms[SILENT].operator is Operator.SHELVED
    assert shelve(book, [DIGGING], 1530.0) == (book, [])
    book, [change] = shelve(book, [], 1540.0)
    assert (change.who, change.at_s, book.alarms[SILENT].operator) == ("farpole", 1540.0, Operator.UNSHELVED)
