"""When a site of a centre is silent: one alarm, its last sign of life, and one where all are."""

from dataclasses import replace
from datetime import UTC

from monitor.alarms.book import Alarm, Book, Change, Key, step
from monitor.alarms.sites import CUT_OFF, SILENT, Heard, is_silent, message_of, of_sites
from monitor.alarms.states import Severity

T = 1_790_000_000.0
NEAR, FAR = Key("site/tarrow-downs", SILENT), Key("site/other-farm", SILENT)


def judged(book: Book, heard: dict[str, float], now_s: float, since_s: float = 0.0) -> tuple[Book, list[str]]:
    sites = [Heard(name, at_s, 60.0) for name, at_s in heard.items()]
    book, changes = step(book, of_sites(sites, now_s, since_s, UTC), now_s)
    return book, [f"{c.what}: {c.alarm.key}" for c in changes]


def test_a_site_is_silent_after_five_signs_and_heard_again_at_the_first() -> None:
    heard = {"tarrow-downs": T, "other-farm": T + 299}
    book, changes = judged(Book(), heard, T + 300)
    assert changes == []
    book, changes = judged(book, heard, T + 301)
    assert changes == [f"raised: {NEAR}"]
    alarm = book.alarms[NEAR]
    assert alarm.severity is Severity.MAJOR
    assert "2026-09-21" in alarm.text or "21 Sep" in alarm.text, "its last sign of life"
    _, changes = judged(book, {**heard, "tarrow-downs": T + 302}, T + 303)
    assert changes == [f"cleared: {NEAR}"]


def test_where_all_are_silent_it_is_the_centre_and_no_site() -> None:
    heard = {"tarrow-downs": T, "other-farm": T + 5}
    book, changes = judged(Book(), heard, T + 1000)
    assert changes == [f"raised: farpole {CUT_OFF}"]
    book, changes = judged(book, {**heard, "other-farm": T + 1001}, T + 1002)
    assert changes == [f"cleared: farpole {CUT_OFF}", f"raised: {NEAR}"]


def test_one_site_alone_is_never_the_centre() -> None:
    _, changes = judged(Book(), {"tarrow-downs": T}, T + 1000)
    assert changes == [f"raised: {NEAR}"]


def test_nobody_is_silent_while_nobody_listened() -> None:
    """After the centre was away, every site has its time to come back."""
    heard = {"tarrow-downs": T, "other-farm": T + 9999}
    _, changes = judged(Book(), heard, T + 10_000, since_s=T + 9900)
    assert changes == []
    _, changes = judged(Book(), heard, T + 10_201, since_s=T + 9900)
    assert changes == [f"raised: {NEAR}"]


def test_a_metered_site_says_so_and_is_waited_for() -> None:
    sites = [Heard("tarrow-downs", T, 900.0), Heard("other-farm", T + 4000, 60.0)]
    assert all(c.severity is None for c in of_sites(sites, T + 4100, 0.0, UTC))


def test_what_people_are_told() -> None:
    heard = {"tarrow-downs": T, "other-farm": T + 900}
    _, changes = step(Book(), of_sites([Heard(n, s, 60.0) for n, s in heard.items()], T + 901, 0.0, UTC), T + 901)
    message = message_of(changes[0], "desk", UTC)
    assert message is not None
    assert (message.kind, message.subject) == ("callout", "tarrow-downs is silent")
    assert "last sign of life" in message.body
    assert "its poles are unknown here, not broken" in message.body


def test_who_is_told_of_what() -> None:
    """Raised and heard again; not what follows from the centre's own line, and no act of a person."""
    alarm = Alarm(NEAR, Severity.MAJOR, False, "the last sign of life came yesterday", T, T)
    for what, kind in (("raised", "callout"), ("raised again", "callout"), ("cleared", "all clear")):
        message = message_of(Change(alarm, T + 7200, what), "desk", UTC)  # type: ignore[arg-type]  # three of them
        assert message is not None
        assert (message.kind, message.person, message.to, message.resource) == (kind, "desk", "desk", NEAR.resource)
        assert (message.happened_s, message.not_before_s) == (T + 7200, T + 7200)
        assert message_of(Change(replace(alarm, root="farpole"), T, what), "desk", UTC) is None  # type: ignore[arg-type]  # as above
    assert message_of(Change(alarm, T, "ack"), "desk", UTC) is None
    clear = message_of(Change(alarm, T + 7200, "cleared"), "desk", UTC)
    assert clear is not None
    assert "2.0 h" in clear.body
    own = replace(alarm, key=Key("farpole", CUT_OFF))
    cut = message_of(Change(own, T, "raised"), "desk", UTC)
    assert cut is not None
    assert cut.subject == "No site is heard"


def test_a_centre_without_sites_is_not_cut_off() -> None:
    (own,) = of_sites([], T, 0.0, UTC)
    assert (own.key, own.severity) == (Key("farpole", CUT_OFF), None)


def test_where_all_are_silent_each_follows_from_the_centre_and_the_last_that_was_heard_is_named() -> None:
    heard = [Heard("tarrow-downs", T, 60.0), Heard("other-farm", T + 60, 60.0)]
    own, *each = of_sites(heard, T + 1000, 0.0, UTC)
    assert own.severity is Severity.CRITICAL
    assert "other-farm" in own.text
    assert [(one.severity, one.root) for one in each] == [(Severity.MAJOR, "farpole")] * 2
    own, *each = of_sites([heard[0], Heard("third", T + 999, 60.0)], T + 1000, 0.0, UTC)
    assert own.severity is None
    assert [(one.severity, one.root) for one in each] == [(Severity.MAJOR, ""), (None, "")]


def test_five_signs_of_life_may_be_late_and_not_a_second_more() -> None:
    one = Heard("tarrow-downs", T, 60.0)
    assert not is_silent(one, T + 300, 0.0)
    assert is_silent(one, T + 300.5, 0.0)
    assert not is_silent(one, T + 400, T + 100)
    assert is_silent(one, T + 400.5, T + 100)
