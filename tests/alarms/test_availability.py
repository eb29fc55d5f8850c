"""Minutes by cause and minutes that nobody explains are all that was missed, whatever was seen and raised."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.availability import Heard, Outage, charged, held

A_DAY = 1440
MINUTES = st.lists(st.tuples(st.sampled_from(Heard), st.integers(1, 300)), max_size=12)
OUTAGES = st.lists(
    st.builds(
        lambda begin, length, cause: Outage(begin, begin + length, cause),
        st.floats(-A_DAY, 2 * A_DAY),
        st.floats(0, 2 * A_DAY),
        st.sampled_from(["power", "path", "unknown"]),
    ),
    max_size=6,
)


@given(MINUTES, OUTAGES)
def test_it_adds_up(runs: list[tuple[Heard, int]], outages: list[Outage]) -> None:
    minutes = np.concatenate([np.zeros(0, np.uint8), *(np.full(n, kind, np.uint8) for kind, n in runs)])
    found = charged(minutes, outages)
    assert found.answered + found.missed + found.not_asked == len(minutes)
    assert sum(found.by_cause.values()) + found.not_explained == found.missed
    assert all(value >= 0 for value in (*found.by_cause.values(), found.not_explained))
    if found.percent is not None:
        left_out = (100 - found.percent) / 100 * (found.answered + found.missed)
        assert abs(left_out - sum(found.by_cause.values()) - found.not_explained) < 1e-6


@given(MINUTES, st.integers(0, 400))
def test_what_was_heard_is_never_changed_by_holding_it(runs: list[tuple[Heard, int]], most: int) -> None:
    minutes = np.concatenate([np.zeros(0, np.uint8), *(np.full(n, kind, np.uint8) for kind, n in runs)])
    found = held(minutes, most)
    asked = minutes != Heard.NOT_ASKED
    assert (found[asked] == minutes[asked]).all()


def test_the_rounds_before_an_alarm_belong_to_it_and_a_silence_without_one_is_not_explained() -> None:
    minutes = np.full(A_DAY, Heard.ANSWERED, np.uint8)
    minutes[100:220] = minutes[700:705] = Heard.MISSED
    found = charged(minutes, [Outage(101.5, 222, "power"), Outage(800, 900, "path")])
    assert (found.by_cause, found.not_explained) == ({"power": 120}, 5)


def test_two_alarms_share_one_silence_by_their_times() -> None:
    minutes = np.full(A_DAY, Heard.MISSED, np.uint8)
    found = charged(minutes, [Outage(1, 600, "power"), Outage(600, 1500, "path")])
    assert found.by_cause == {"power": 600, "path": 840}
