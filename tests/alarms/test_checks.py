"""The table of what people can check: each line can be carried out, and says something of a fault that there is."""

import pytest

from monitor.alarms.checks import CHECKS, Check
from monitor.alarms.faults import FAULTS
from monitor.alarms.signs import SIGNS


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_each_check_tells_faults_apart(check: Check) -> None:
    assert set(check.yes) <= set(FAULTS)
    assert check.yes, "else its answer would say nothing"
    assert all(0 < chance < 1 for chance in (*check.yes.values(), check.leak)), "an answer may always be wrong"
    assert max(check.yes.values()) > check.leak, "yes must mean more than a mistake"
    assert 1 <= check.minutes <= 60, "what takes longer is a visit of its own"
    assert check.sign in ("", *SIGNS)


def test_no_two_checks_are_the_same() -> None:
    assert len({check.name for check in CHECKS}) == len({check.words for check in CHECKS}) == len(CHECKS)


def test_the_minutes_are_as_exact_as_they_are_known() -> None:
    """From the chair or at the head-end some minutes; at the pole some half an hour, to five minutes and no closer."""
    for check in CHECKS:
        assert check.minutes <= 6 or (check.minutes >= 25 and check.minutes % 5 == 0), check.name


def test_what_is_read_at_the_head_end_in_one_walk_takes_equally_long() -> None:
    minutes = {check.name: check.minutes for check in CHECKS}
    assert minutes["current_gone"] == minutes["current_high"] == minutes["breaker_open"] < minutes["supply_wrong"]
    assert minutes["picture_still"] < minutes["stream_lost"] == minutes["cycling_helps"], "it is open already"


def test_a_check_that_an_instrument_could_have_made_means_what_its_sign_means() -> None:
    read = [check for check in CHECKS if check.sign]
    assert read
    for check in read:
        assert check.name == check.sign
        of_faults = {fault.name: fault.signs.get(check.sign) for fault in FAULTS.values()}
        assert check.yes == {name: chance for name, chance in of_faults.items() if chance is not None}
