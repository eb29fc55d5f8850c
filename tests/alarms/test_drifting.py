"""A night's verdicts → conditions: how severe, and the sentence with its figures."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.alarms.book import Condition, Key
from monitor.alarms.drifting import WHENCE, of_verdicts
from monitor.alarms.states import Severity
from monitor.facts.readings import Slot
from monitor.margins.drift import Baseline, Drift, Judged
from monitor.margins.forecast import Course, Forecast
from monitor.margins.kinds import KINDS, Watched
from monitor.margins.verdict import Verdict, soon

SLOT = Slot("creek/optic/5", "rx_dbm")
WATCHED = {SLOT: Watched(KINDS["rx_dbm"], -20.0, "creek", None, "the plan")}


def verdict(drift: Drift | None, forecast: Forecast | None = None, used: float = 0.4, reason: str = "") -> Verdict:
    days = np.arange(20_000, 20_030)
    judged = Judged(days, np.zeros(30), np.full(30, used), Baseline(20_000, 0.0, 0.1, None), (20_000,), drift, 0.0)
    return Verdict(SLOT, "creek", 20_029, -20.0, judged, None, forecast, reason)


def condition(one: Verdict) -> Condition:
    (found,) = of_verdicts({SLOT: one}, WATCHED)
    assert found.key == Key("creek/optic/5", "margin-drifting", "rx_dbm")
    return found


RAMP = Drift(20_020, "ramp", -1.25, 20_012)


@pytest.mark.parametrize(
    ("months", "severity"),
    [(0.9, Severity.MAJOR), (1.0, Severity.MINOR), (2.9, Severity.MINOR), (3.0, Severity.WARNING)],
)
def test_the_sooner_it_ends_the_more_severe(months: float, severity: Severity) -> None:
    assert condition(verdict(RAMP, Forecast(months / 2, months, months * 2))).severity is severity


@pytest.mark.parametrize(("used", "severity"), [(1.0, Severity.MAJOR), (0.99, Severity.WARNING)])
def test_what_is_used_up_is_major_whatever_words_say_so(used: float, severity: Severity) -> None:
    """The share of the margin decides; the reason is for people, in whatever words it stands."""
    one = verdict(RAMP, None, used, "nothing is left of it")
    assert condition(one).severity is severity
    assert (soon(one) == 1.0) is (severity is Severity.MAJOR), "and that pole is visited first"


def test_the_sentence_says_what_since_when_how_much_and_until_when() -> None:
    text = condition(verdict(RAMP, Forecast(0.5, 4.0, 9.4))).text
    for words in ("light that arrives", "slow change of 1.2 dB", "40 % of its margin", "in 4 months"):
        assert words in text, text
    assert "one in ten before 15 days, one in ten after 9 months" in text
    assert "used up in 2 months" in condition(verdict(RAMP, Forecast(1.0, 2.0, 9.0))).text, "days below two months"
    step = condition(verdict(replace(RAMP, kind="step", effect=-123.4), reason="too few days")).text
    assert "a step of 123 dB" in step
    assert step.endswith("too few days")


def test_without_drift_all_is_well_and_without_a_judgement_nothing_is_said() -> None:
    assert condition(verdict(None)).severity is None
    unknown = replace(verdict(None), judged=None, reason="no baseline yet")
    assert list(of_verdicts({SLOT: unknown}, WATCHED)) == []


def test_at_this_rate_is_said_only_where_the_date_follows_from_the_rate() -> None:
    """And a forecast that bends says so."""
    texts = {one: condition(verdict(RAMP, Forecast(2.0, 4.0, 9.4, one))).text for one in Course}
    assert [one for one, text in texts.items() if "at this rate" in text] == [Course.EVEN]
    assert [one for one, text in texts.items() if "it has been getting faster" in text] == [Course.FASTER]
    assert [one for one, text in texts.items() if "it may be getting faster" in text] == [Course.PERHAPS_FASTER]
    assert all("used up in 4 months" in text for text in texts.values())


def test_a_drift_has_a_date_a_size_as_people_write_it_and_the_share_that_is_known() -> None:
    """Day 20,012 since 1970 is 16 October 2024 (``date -d @1729036800 -u``)."""
    text = condition(verdict(RAMP, reason="too few days")).text
    assert "since 16 Oct 2024" in text
    assert "of 100 dB" in condition(verdict(replace(RAMP, effect=-100.0), reason="too few days")).text
    assert "of 99 dB" in condition(verdict(replace(RAMP, effect=-99.0), reason="too few days")).text


@pytest.mark.parametrize("whence", WHENCE)
def test_where_light_was_lost_is_said_where_it_is_known(whence: str) -> None:
    one = verdict(RAMP, reason="too few days")
    assert WHENCE[whence] in condition(replace(one, whence=whence)).text
    assert WHENCE[whence] not in condition(one).text
