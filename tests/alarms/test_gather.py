"""What is gathered of a place: in a silence, after it, and while it answers; its weather, its battery, its slow drifts.

The limits are the project's defaults (common practice, no source).
"""

from dataclasses import replace

import pytest

from monitor.alarms.gather import at_pole, gather
from monitor.alarms.known import Silence, Subject
from monitor.alarms.silence import Explained, Watch
from monitor.daemon.memory import Memory
from monitor.facts.readings import Slot
from monitor.margins.drift import Drift
from monitor.margins.judge import Standing
from tests.alarms.test_pole_signs import drifts, judged, now_is
from tests.alarms.test_signs import NOW_S, SWITCH, memory, take

__all__ = ["memory"]

LINK, FEEDER, SOLAR = "office/port/9", "creek/feeder", "supply/ridge-solar"
HOUR_S, DAY_S = 3600.0, 86_400.0


def silent(memory: Memory, place: str = "creek") -> None:
    memory.watches = {**memory.watches, place: Watch(misses=4, kinds=2, answered_s=NOW_S - 60)}


# ---- in a silence and after it


def test_of_a_silent_place_the_evidence_is_looked_at_and_of_others_the_readings(memory: Memory) -> None:
    assert gather(memory, Subject("creek"), NOW_S).signs["pole_silent"] is False
    silent(memory)
    assert gather(memory, Subject("creek"), NOW_S).signs["pole_silent"] is True
    assert gather(memory, Subject("yards"), NOW_S).signs["pole_silent"] is False
    memory.explained = Explained({"yards": ()}, {}, frozenset())
    assert gather(memory, Subject("yards"), NOW_S).signs["pole_silent"] is True, "a root, whatever its own rounds say"


def test_what_a_silence_began_with_stays_and_what_is_not_known_now_takes_nothing_away(memory: Memory) -> None:
    """A link that comes up while the switch still starts is no news of the cause."""
    silent(memory)
    begun = {"link_down": True, "gasped": True, "restarted": True, "supply_wrong": True}
    memory.silences["creek"] = Silence(begun)
    take(memory, LINK, "link_state", 1.0)
    take(memory, "supply/office-a", "supply_volts", 54.0)
    found = gather(memory, Subject("creek"), NOW_S).signs
    assert (found["link_down"], found["gasped"]) == (True, True)
    assert found["restarted"] is True, "nothing newer is known of it"
    assert found["supply_wrong"] is False, "that has changed since"
    memory.silences["creek"] = Silence({**begun, "link_down": False})
    take(memory, LINK, "link_state", 2.0)
    assert gather(memory, Subject("creek"), NOW_S).signs["link_down"] is True, "what was not so may become so"


def test_the_slow_signs_of_a_pole_count_in_its_silence_too(memory: Memory) -> None:
    silent(memory)
    slot = Slot(FEEDER, "loop_ohms")
    drifts(memory, "creek/optic/5", Drift(20_020, "step", -1.25, 20_012))
    memory.verdicts[slot] = replace(memory.verdicts[Slot("creek/optic/5", "rx_dbm")], slot=slot)
    assert gather(memory, Subject("creek"), NOW_S).signs["loop_rose"] is True
    for i in range(5):
        take(memory, LINK, "link_state", 1.0 + i % 2, NOW_S - 600 + i)
    assert gather(memory, Subject("creek"), NOW_S).signs["light_comes_and_goes"] is True


# ---- weather


@pytest.mark.parametrize(
    ("board_c", "cold", "hot"), [(14.9, True, False), (15.0, False, False), (40.0, False, False), (40.1, False, True)]
)
def test_cold_is_below_five_degrees_of_air_and_hot_above_thirty(
    memory: Memory, board_c: float, cold: bool, hot: bool
) -> None:
    assert (
        gather(memory, Subject("creek"), NOW_S).contexts["cold"],
        gather(memory, Subject("creek"), NOW_S).contexts["hot"],
    ) == (None,) * 2
    take(memory, SWITCH, "board_c", board_c, NOW_S - 4 * HOUR_S)
    contexts = gather(memory, Subject("creek"), NOW_S).contexts
    assert (contexts["cold"], contexts["hot"]) == (cold, hot)
    assert gather(memory, Subject("creek"), NOW_S + 1).contexts["cold"] is None, (
        "of four hours ago nothing follows for now"
    )


def test_one_board_in_the_sun_is_not_the_weather(memory: Memory) -> None:
    for pole, board_c in (("creek", 70.0), ("woolshed", 12.0), ("yards", 13.0)):
        take(memory, f"{pole}/switch", "board_c", board_c)
    contexts = gather(memory, Subject("creek"), NOW_S).contexts
    assert (contexts["cold"], contexts["hot"]) == (True, False)


# ---- drifts that the nights have found


@pytest.mark.parametrize(
    ("resource", "quantity", "sign"),
    [
        (FEEDER, "loop_ohms", "loop_rose"),
        ("creek/optic/5", "bias_milliamperes", "bias_rose"),
        ("creek/optic/5", "tx_dbm", "tx_fell"),
    ],
)
def test_a_series_that_drifts_is_a_sign_of_its_own_pole(
    memory: Memory, resource: str, quantity: str, sign: str
) -> None:
    slot = Slot(resource, quantity)
    for kind, gradual in (("ramp", True), ("step", None)):
        drifts(memory, "creek/optic/5", Drift(20_020, kind, -1.25, 20_012))  # type: ignore[arg-type]  # either kind
        verdict = memory.verdicts.pop(Slot("creek/optic/5", "rx_dbm"))
        memory.verdicts[slot] = replace(verdict, slot=slot)
        found = at_pole(memory, "creek", NOW_S)
        assert (found[sign], found.get("gradual")) == (True, gradual)
        assert at_pole(memory, "yards", NOW_S).get(sign) is None
    memory.verdicts[slot] = replace(memory.verdicts[slot], judged=None, reason="too few days")
    assert at_pole(memory, "creek", NOW_S).get(sign) is None


@pytest.mark.parametrize(
    ("whence", "tx_fell", "unequal"),
    [("transmitter", True, None), ("connector", False, False), ("bend", False, True), ("", None, None)],
)
def test_where_light_was_lost_is_a_sign_of_the_pole_that_it_belongs_to(
    memory: Memory, whence: str, tx_fell: bool | None, unequal: bool | None
) -> None:
    slot = Slot("office/optic/9", "rx_dbm")
    drifts(memory, "office/optic/9", Drift(20_020, "ramp", -1.25, 20_012))
    memory.verdicts[slot] = replace(memory.verdicts[slot], whence=whence)
    found = at_pole(memory, "creek", NOW_S)
    assert (found["tx_fell"], found.get("light_unequal")) == (tx_fell, unequal)
    assert at_pole(memory, "yards", NOW_S)["tx_fell"] is None


# ---- battery and sun


@pytest.mark.parametrize(("percent", "low"), [(24.9, True), (25.0, False)])
def test_a_battery_is_low_below_a_quarter(memory: Memory, percent: float, low: bool) -> None:
    now_is(memory, SOLAR, "battery_percent", percent)
    assert at_pole(memory, "ridge", NOW_S)["battery_was_low"] is low


@pytest.mark.parametrize("standing", [Standing.INSIDE, Standing.CLOSE, Standing.PAST])
def test_where_no_percentage_is_known_the_battery_s_volts_tell(memory: Memory, standing: Standing) -> None:
    assert "battery_was_low" not in at_pole(memory, "ridge", NOW_S)
    judged(memory, SOLAR, "battery_volts", standing)
    assert at_pole(memory, "ridge", NOW_S)["battery_was_low"] is (standing is not Standing.INSIDE)
    judged(memory, SOLAR, "battery_volts", standing, value=None)
    assert "battery_was_low" not in at_pole(memory, "ridge", NOW_S)


def peaked(memory: Memory, peaks: tuple[float, ...], now_percent: float) -> dict[str, bool | None]:
    take(memory, SOLAR, "battery_percent", 50.0, NOW_S - 5 * DAY_S)
    for i, peak in enumerate(peaks):
        take(memory, SOLAR, "battery_percent", peak, NOW_S - (len(peaks) - 1 - i) * DAY_S - 60)
    take(memory, SOLAR, "battery_percent", now_percent)
    return at_pole(memory, "ridge", NOW_S)


@pytest.mark.parametrize(
    ("peaks", "never"),
    [
        ((93.9, 90.0, 90.0), True),
        ((90.0, 94.0, 90.0), False),
        ((94.0,), False),
        ((90.0, 90.0), None),
    ],
)
def test_three_days_without_94_percent_are_never_full_and_one_with_it_is_full(
    memory: Memory, peaks: tuple[float, ...], never: bool | None
) -> None:
    assert peaked(memory, peaks, 50.0).get("never_full") is never


@pytest.mark.parametrize(("percent", "sags"), [(24.9, True), (25.0, None), (45.0, None), (45.1, False)])
def test_a_battery_that_was_full_and_is_nearly_empty_sags(memory: Memory, percent: float, sags: bool | None) -> None:
    assert peaked(memory, (94.0, 94.0, 94.0), percent)["sags_at_night"] is sags


def test_of_one_that_was_never_full_nobody_can_tell_whether_it_sags(memory: Memory) -> None:
    assert "sags_at_night" not in peaked(memory, (93.0, 93.0, 93.0), 20.0)


@pytest.mark.parametrize(
    ("hour", "watts", "percent", "nothing"),
    [
        (12.0, 3.39, 60.0, True),
        (12.0, 3.4, 60.0, False),
        (9.51, 0.0, 60.0, True),
        (9.49, 0.0, 60.0, None),
        (14.49, 0.0, 60.0, True),
        (14.51, 0.0, 60.0, None),
        (12.0, 0.0, 93.9, True),
        (12.0, 0.0, 94.0, None),
    ],
)
def test_within_two_and_a_half_hours_of_noon_a_panel_gives_a_hundredth_unless_the_battery_is_full(
    memory: Memory, hour: float, watts: float, percent: float, nothing: bool | None
) -> None:
    """Local solar time: four minutes a degree of longitude; the panel has 340 W."""
    at_s = NOW_S // DAY_S * DAY_S - memory.plan.site.longitude * 240 + hour * HOUR_S
    assert at_pole(memory, "ridge", at_s).get("no_charge_in_sun") is None
    take(memory, SOLAR, "battery_percent", percent, at_s)
    assert at_pole(memory, "ridge", at_s).get("no_charge_in_sun") is None, "the panel was not read"
    take(memory, SOLAR, "panel_watts", watts, at_s)
    assert at_pole(memory, "ridge", at_s).get("no_charge_in_sun") is nothing


# ---- which load


def test_where_no_load_is_in_trouble_none_is_named_and_all_are_looked_at(memory: Memory) -> None:
    for n in (1, 2, 3):
        now_is(memory, f"creek/port/{n}", "link_state", 1.0)
    now_is(memory, "creek/port/2", "port_watts", 5.0)
    found = gather(memory, Subject("creek"), NOW_S)
    assert found.signs["port_link_lost"] is False
    assert found.lines == ()
    named = gather(memory, Subject("creek", "creek-tank-gateway"), NOW_S)
    assert named.lines == ("port 2: 5.0 W",)
    assert gather(memory, Subject("creek", "nobody"), NOW_S).lines == ()
