"""Guessing is slow and locks nobody else out: whatever strangers do, in any order, from any number of addresses."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.show.tries import (
    FIRST_LOCK_S,
    FORGOTTEN_S,
    FREE_OF_A_PLACE,
    FREE_TRIES,
    LONGEST_LOCK_S,
    NAME_EACH_S,
    Tries,
    place_of,
)

OWNER, HOME = "jo", "192.0.2.1"
STRANGE = st.integers(1, 2**16).map(lambda n: f"2001:db8:{n:x}::/64")
NAMES = st.sampled_from([OWNER, "vi", "nobody"])


@given(st.lists(st.tuples(STRANGE, NAMES, st.floats(0, 600)), max_size=300))
def test_strangers_lock_nobody_out(tried: list[tuple[str, str, float]]) -> None:
    """The owner's own place is never locked, and the right password waits for no more than one step."""
    tries, now_s = Tries(), 0.0
    for place, name, later_s in tried:
        now_s += later_s
        if tries.locked_s(place, name, now_s) <= 0 and tries.slow_s(name, now_s) <= 0:
            tries.wrong(place, name, now_s)
        assert tries.locked_s(HOME, OWNER, now_s) == 0
        assert tries.slow_s(OWNER, now_s) <= NAME_EACH_S


@settings(deadline=None)
@given(st.lists(st.floats(0, 120), min_size=1, max_size=50), st.floats(0, 1e6))
def test_no_more_than_100_an_hour_are_looked_at_for_one_name(pauses: list[float], began_s: float) -> None:
    """OWASP ASVS 4.0.3, 2.2.1, by somebody with any number of addresses who tries as soon as he may."""
    tries, now_s, looked = Tries(), began_s, list[float]()
    for n in range(260):
        now_s += pauses[n % len(pauses)] + tries.slow_s(OWNER, now_s + pauses[n % len(pauses)])
        tries.wrong(f"place {n}", OWNER, now_s)
        looked.append(now_s)
    for first_s in looked:
        assert sum(first_s <= one < first_s + 3600 for one in looked) <= 100


@given(st.lists(st.floats(0, 4000), max_size=60))
def test_one_place_waits_longer_each_time_and_never_beyond_the_longest(pauses: list[float]) -> None:
    tries, now_s = Tries(), 0.0
    for pause_s in pauses:
        now_s += pause_s
        tries.wrong(HOME, OWNER, now_s)
        assert 0 <= tries.locked_s(HOME, OWNER, now_s) <= LONGEST_LOCK_S


def test_locks_double_and_end_by_themselves() -> None:
    """NIST SP 800-63B, 5.2.2: waits that grow, from 30 s."""
    tries, now_s = Tries(), 0.0
    for _ in range(FREE_TRIES - 1):
        tries.wrong(HOME, OWNER, now_s)
    assert tries.locked_s(HOME, OWNER, now_s) == 0
    for lock_s in (30, 60, 120, 240, 480, 900, 900):
        tries.wrong(HOME, OWNER, now_s)
        assert tries.locked_s(HOME, OWNER, now_s) == lock_s
        assert tries.locked_s(HOME, "vi", now_s) == 0, "another name from there is another matter"
        now_s += lock_s
        assert tries.locked_s(HOME, OWNER, now_s) == 0
    tries.wrong(HOME, OWNER, now_s + FORGOTTEN_S + 1)
    assert tries.locked_s(HOME, OWNER, now_s + FORGOTTEN_S + 1) == 0, "forgotten after half an hour"


def test_a_place_that_tries_many_names_is_locked_for_all_of_them() -> None:
    tries = Tries()
    for n in range(FREE_OF_A_PLACE):
        assert tries.locked_s(HOME, "another", 0.0) == 0
        tries.wrong(HOME, f"name {n}", 0.0)
    assert tries.locked_s(HOME, "another", 0.0) == FIRST_LOCK_S


def test_a_known_device_slows_nobody_and_is_locked_alone() -> None:
    tries = Tries()
    for _ in range(50):
        tries.wrong("device x", OWNER, 0.0, known=True)
    assert tries.slow_s(OWNER, 0.0) == 0
    assert tries.locked_s("device x", OWNER, 0.0) == LONGEST_LOCK_S


@given(st.integers(0, 1000), st.integers(20, 60))
@settings(max_examples=20, deadline=None)
def test_what_is_remembered_is_bounded_and_a_flood_pushes_no_lock_out(strangers: int, most: int) -> None:
    tries = Tries(most=most)
    for _ in range(FREE_TRIES + 1):
        tries.wrong("203.0.113.9", OWNER, 0.0)
    for n in range(strangers):
        tries.wrong(f"stranger {n}", f"name {n}", 1.0)
    assert len(tries) <= most
    assert tries.locked_s("203.0.113.9", OWNER, 1.0) > 0


def test_names_that_nobody_has_take_no_room() -> None:
    tries = Tries(most=100)
    for n in range(3000):
        tries.wrong(HOME, f"name {n}", 0.0)
    assert len(tries) <= 100
    assert len(tries._full_s) == 1024


@pytest.mark.parametrize(
    ("address", "place"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("192.0.2.7:443", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:aaaa::1", "2001:db8:1:2::/64"),
        ("[2001:db8:1:2:bbbb::9]:443", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("\x1b[2J", "elsewhere"),
        ("", "elsewhere"),
    ],
)
def test_a_place_is_an_address_or_the_net_that_one_connection_gets(address: str, place: str) -> None:
    assert place_of(address) == place


@given(st.text())
def test_any_text_is_some_place(address: str) -> None:
    assert len(place_of(address)) < 50


def test_five_for_a_name_from_one_place_and_twenty_for_all_of_its_names() -> None:
    """NIST SP 800-63B, 5.2.2, allows 100 on end; the figures are the project's own, common practice, no source."""
    tries = Tries()
    for n in range(1, 21):
        assert tries.locked_s(HOME, "another", 0.0) == 0
        tries.wrong(HOME, OWNER if n <= 5 else f"name {n}", 0.0)
        assert tries.wrongs(HOME, 0.0) == n
        assert (tries.locked_s(HOME, OWNER, 0.0) > 0) is (n >= 5)
    assert tries.locked_s(HOME, "another", 0.0) == 30.0
    assert tries.wrongs("198.51.100.1", 0.0) == 0


def test_what_was_wrong_is_forgotten_after_half_an_hour_and_not_before() -> None:
    tries = Tries()
    for _ in range(4):
        tries.wrong(HOME, OWNER, 0.0)
    assert tries.wrongs(HOME, 1800.0) == 4
    assert tries.wrongs(HOME, 1800.5) == 0
    tries.wrong(HOME, OWNER, 1800.0)
    assert tries.locked_s(HOME, OWNER, 1800.0) == 30.0, "the fifth"


def test_the_right_password_opens_its_own_name_here_and_no_other() -> None:
    tries = Tries()
    for name in (OWNER, "vi"):
        for _ in range(5):
            tries.wrong(HOME, name, 0.0)
    tries.right(HOME, OWNER)
    tries.right("198.51.100.1", "vi")
    assert tries.locked_s(HOME, OWNER, 0.0) == 0
    assert tries.locked_s(HOME, "vi", 0.0) > 0


def test_ten_at_once_and_then_one_each_forty_seconds() -> None:
    tries = Tries()
    for n in range(10):
        assert tries.slow_s(OWNER, 0.0) == 0
        tries.wrong(f"place {n}", OWNER, 0.0)
    assert tries.slow_s(OWNER, 0.0) == 40.0
    assert tries.slow_s(OWNER, 15.0) == 25.0
    assert tries.slow_s(OWNER, 40.0) == 0
    tries.wrong("place 10", OWNER, 40.0)
    assert tries.slow_s(OWNER, 40.0) == 40.0
    assert tries.slow_s(OWNER, 400.0) == 0


def test_room_is_made_by_what_is_old_and_then_by_what_counts_least_and_is_oldest() -> None:
    tries = Tries(most=4)
    for place, at_s in (("a", 0.0), ("b", 1900.0)):
        tries.wrong(place, OWNER, at_s)
    tries.wrong("c", OWNER, 1900.0)
    assert len(tries) == 4
    assert [tries.wrongs(place, 1900.0) for place in "abc"] == [0, 1, 1], "what was forgotten went"
    tries.wrong("c", OWNER, 1901.0)
    tries.wrong("d", OWNER, 1902.0)
    assert len(tries) == 4
    assert [tries.wrongs(place, 1902.0) for place in "bcd"] == [0, 2, 1], "of those that count, the least"
