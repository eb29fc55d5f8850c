"""When a site of a centre is silent: one alarm, its last sign of life, and one where all are."""

from datetime import UTC

from monitor.alarms.book import Book, Key, step
from monitor.alarms.sites import CUT_OFF, SILENT, Heard, message_of, of_sites
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
