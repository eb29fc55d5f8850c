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
