"""What the newest readings say of a pole that answers: one reading moved at a time, everything else as ever.

The limits are the project's defaults (common practice, no source); each case stands on one side of one of them.
"""

from collections.abc import Mapping

import numpy as np
import pytest

from monitor.alarms.gather import Subject, at_pole, gather, of_return
from monitor.alarms.known import Silence
from monitor.alarms.pole_signs import FRESH_S, LATELY_S, VISIT_S, PoleSigns
from monitor.alarms.signs import SIGNS
from monitor.alarms.silence import Watch
from monitor.daemon.design import Design
from monitor.daemon.memory import Memory
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.margins.drift import Baseline, Drift, Judged
from monitor.margins.verdict import Verdict

NOW_S = 1_790_000_000.0
LAYOUTS: dict[Slot, Layout] = {}
NEAR, FAR, PORT = "office/optic/9", "creek/optic/5", "creek/port/1"
CAMERA, SWITCH = "creek/load/creek-gate-camera", "creek/switch"


@pytest.fixture
def memory(design: Design) -> Memory:
    made = Memory(design)
    made.watches = dict.fromkeys(design.places, Watch(answered_s=NOW_S, agent_ever=True))
    return made


def take(memory: Memory, resource: str, quantity: str, value: float | None, at_s: float = NOW_S) -> None:
    """One reading; None: it was asked and there was no answer."""
    slot = Slot(resource, quantity)
    layout = LAYOUTS.setdefault(slot, Layout(str(slot), "measure", (slot,)))
    readings = Round.blank(layout, at_s, State.SILENT)
    if value is not None:
        readings.put(0, value)
    memory.latest.take(readings)
    memory.norms.take(readings)


def usual(memory: Memory, resource: str, quantity: str, value: float) -> None:
    memory.norms.seed(Slot(resource, quantity), value, NOW_S - 1)


def camera(memory: Memory) -> Mapping[str, bool | None]:
    pole = memory.plan.pole("creek")
    return PoleSigns(memory, pole, NOW_S).load(pole.loads[0])


LIGHT = [
    ({NEAR: -0.6}, {"light_near_fell": True, "light_far_fell": None}),
    ({NEAR: -0.4}, {"light_near_fell": None}),
    ({NEAR: -0.2}, {"light_near_fell": False}),
    ({NEAR: -1.0, FAR: -1.2}, {"light_near_fell": True, "light_far_fell": True, "light_unequal": False}),
    ({NEAR: -1.0, FAR: -3.4}, {"light_unequal": True}),
    ({NEAR: -1.0, FAR: -0.2}, {"light_far_fell": False, "light_unequal": None}),
]


@pytest.mark.parametrize(("moved", "signs"), LIGHT)
def test_light_that_fell(memory: Memory, moved: dict[str, float], signs: dict[str, bool | None]) -> None:
    for optic, by_db in moved.items():
        usual(memory, optic, "rx_dbm", -8.0)
        take(memory, optic, "rx_dbm", -8.0 + by_db)
    found = at_pole(memory, "creek", NOW_S)
    assert {name: found.get(name) for name in signs} == signs


POLE = [
    (FAR, "optic_c", 71.0, "optic_hot", True),
    (FAR, "optic_c", 69.0, "optic_hot", False),
    ("creek/port/5", "fcs_error_frames_per_s", 0.02, "frame_errors", True),
    ("office/port/9", "fcs_error_frames_per_s", 0.02, "frame_errors", True),
    ("office/port/9", "fcs_error_frames_per_s", 0.0, "frame_errors", False),
    ("creek/port/5", "out_megabits_per_s", 760.0, "uplink_full", True),
    ("creek/port/5", "out_megabits_per_s", 740.0, "uplink_full", False),
    ("creek/port/5", "out_discard_frames_per_s", 0.0, "discards", False),
    (PORT, "in_broadcast_frames_per_s", 1001.0, "broadcast", True),
    (PORT, "in_broadcast_frames_per_s", 999.0, "broadcast", False),
    (SWITCH, "uptime_seconds", LATELY_S - 1, "restarted", True),
    (SWITCH, "uptime_seconds", LATELY_S + 1, "restarted", False),
]


@pytest.mark.parametrize(("resource", "quantity", "value", "sign", "says"), POLE)
def test_one_reading_of_a_pole(
    memory: Memory, resource: str, quantity: str, value: float, sign: str, says: bool | None
) -> None:
    take(memory, resource, quantity, value)
    assert at_pole(memory, "creek", NOW_S).get(sign) is says


LOAD = [
    (PORT, "poe_port_state", 3.0, "port_dead", None),
    (PORT, "poe_port_state", 2.0, "port_dead", True),
    (PORT, "poe_port_state", 4.0, "port_fault", True),
    (PORT, "poe_port_state", 6.0, "port_fault", True),
    (PORT, "poe_port_state", 3.0, "port_fault", False),
    (PORT, "port_watts", 0.2, "port_dead", True),
    (PORT, "port_watts", 4.0, "port_dead", False),
    (PORT, "link_state", 2.0, "port_link_lost", True),
    (PORT, "link_state", 1.0, "port_link_lost", False),
    (PORT, "speed_megabits_per_s", 10.0, "port_slow", True),
    (PORT, "speed_megabits_per_s", 100.0, "port_slow", False),
    (PORT, "speed_megabits_per_s", 0.0, "port_slow", False),
    (PORT, "in_error_frames_per_s", 0.02, "port_errors", True),
    (PORT, "fcs_error_frames_per_s", 0.0, "port_errors", False),
    (CAMERA, "ping_seconds", None, "ping_lost", True),
    (CAMERA, "ping_seconds", 0.01, "ping_lost", False),
    (CAMERA, "tcp_state", 1.0, "stream_lost", False),
    (CAMERA, "tcp_state", 2.0, "stream_lost", True),
    (CAMERA, "stream_state", 1.0, "stream_lost", False),
    (CAMERA, "stream_state", 3.0, "stream_lost", True),
]


@pytest.mark.parametrize(("resource", "quantity", "value", "sign", "says"), LOAD)
def test_one_reading_of_a_camera(
    memory: Memory, resource: str, quantity: str, value: float | None, sign: str, says: bool | None
) -> None:
    """RFC 3621: pethPsePortDetectionStatus 3 delivers power, 4 and 6 are faults; RFC 2863: ifOperStatus 1 is up."""
    take(memory, resource, quantity, value)
    assert camera(memory).get(sign) is says


def test_what_is_old_says_nothing_of_now(memory: Memory) -> None:
    take(memory, FAR, "optic_c", 75.0, NOW_S - FRESH_S)
    assert at_pole(memory, "creek", NOW_S)["optic_hot"] is True
    assert at_pole(memory, "creek", NOW_S + 1).get("optic_hot") is None


def test_of_what_hangs_on_a_dead_port_nothing_is_said(memory: Memory) -> None:
    take(memory, CAMERA, "ping_seconds", None)
    take(memory, PORT, "port_watts", 0.0)
    assert "ping_lost" not in camera(memory)


@pytest.mark.parametrize(("now_mb", "few"), [(0.3, True), (0.5, False)])
def test_a_camera_that_sends_a_tenth_of_what_is_usual(memory: Memory, now_mb: float, few: bool) -> None:
    usual(memory, PORT, "in_megabits_per_s", 4.0)
    take(memory, PORT, "in_megabits_per_s", now_mb)
    assert camera(memory)["few_octets"] is few


@pytest.mark.parametrize(("by_ohms", "rose"), [(0.33, True), (0.2, None), (0.1, False)])
def test_a_feeder_whose_resistance_rose(memory: Memory, by_ohms: float, rose: bool | None) -> None:
    feeder = "creek/feeder"
    usual(memory, feeder, "loop_ohms", 1.0)
    take(memory, feeder, "loop_ohms", 1.0 + by_ohms)
    assert at_pole(memory, "creek", NOW_S)["loop_rose"] is rose


@pytest.mark.parametrize(("now_ma", "rose"), [(22.1, True), (21.5, None), (20.9, False)])
def test_a_laser_whose_bias_rose_by_a_tenth(memory: Memory, now_ma: float, rose: bool | None) -> None:
    assert at_pole(memory, "creek", NOW_S)["bias_rose"] is None, "nothing is known yet"
    usual(memory, FAR, "bias_milliamperes", 20.0)
    take(memory, FAR, "bias_milliamperes", now_ma)
    assert at_pole(memory, "creek", NOW_S)["bias_rose"] is rose


def test_what_the_plan_says_of_a_pole(memory: Memory) -> None:
    ridge, creek = gather(memory, Subject("ridge"), NOW_S).contexts, gather(memory, Subject("creek"), NOW_S).contexts
    assert (ridge["solar"], ridge["radio"]) == (True, True)
    assert (creek["solar"], creek["radio"]) == (False, False)


@pytest.mark.parametrize(
    ("quantity", "sign"),
    [
        ("overload_count", "overloads"),
        ("short_count", "shorts"),
        ("mps_absent_count", "mps_lost"),
        ("power_denied_count", "denials"),
        ("late_collision_frames", "late_collisions"),
    ],
)
def test_a_count_says_something_for_an_hour_after_it_rose(memory: Memory, quantity: str, sign: str) -> None:
    take(memory, PORT, quantity, 5.0, NOW_S - LATELY_S - 60)
    take(memory, PORT, quantity, 6.0, NOW_S - LATELY_S)
    assert camera(memory)[sign] is True
    pole = memory.plan.pole("creek")
    take(memory, PORT, quantity, 6.0, NOW_S + 60)
    assert PoleSigns(memory, pole, NOW_S + 60).load(pole.loads[0])[sign] is False, "it rose longer ago"


@pytest.mark.parametrize(("changes", "restless"), [(4, True), (3, False)])
def test_a_link_that_comes_and_goes(memory: Memory, changes: int, restless: bool) -> None:
    for i in range(changes + 1):
        take(memory, "office/port/9", "link_state", 1.0 + i % 2, NOW_S - 600 + i)
    assert at_pole(memory, "creek", NOW_S)["light_comes_and_goes"] is restless


def test_a_visit_may_be_the_cause_for_three_days_and_none_that_was_noted_proves_nothing(memory: Memory) -> None:
    assert gather(memory, Subject("creek"), NOW_S).signs["since_visit"] is None
    memory.visits["creek"] = NOW_S - VISIT_S + 1
    assert gather(memory, Subject("creek"), NOW_S).signs["since_visit"] is True
    assert gather(memory, Subject("creek"), NOW_S).contexts["visit"] is True
    assert gather(memory, Subject("creek"), NOW_S + 1).signs["since_visit"] is None


@pytest.mark.parametrize(("board_c", "cold", "hot"), [(14.0, True, False), (25.0, False, False), (41.0, False, True)])
def test_the_air_is_ten_degrees_cooler_than_a_switch_s_board(
    memory: Memory, board_c: float, cold: bool, hot: bool
) -> None:
    take(memory, SWITCH, "board_c", board_c)
    contexts = gather(memory, Subject("creek"), NOW_S).contexts
    assert (contexts["cold"], contexts["hot"]) == (cold, hot)


@pytest.mark.parametrize(("percent", "low"), [(24.0, True), (26.0, False)])
def test_a_battery_that_is_nearly_empty(memory: Memory, percent: float, low: bool) -> None:
    take(memory, "supply/ridge-solar", "battery_percent", percent)
    assert at_pole(memory, "ridge", NOW_S)["battery_was_low"] is low
    assert "battery_was_low" not in at_pole(memory, "creek", NOW_S), "a pole on a feeder has none"


@pytest.mark.parametrize(
    ("peaks", "never"), [((90.0, 91.0, 93.0), True), ((90.0, 95.0, 93.0), False), ((90.0, 91.0), None)]
)
def test_a_battery_that_was_not_full_for_three_days(
    memory: Memory, peaks: tuple[float, ...], never: bool | None
) -> None:
    supply, day_s = "supply/ridge-solar", 86_400.0
    take(memory, supply, "battery_percent", 50.0, NOW_S - 3 * day_s)
    for i, peak in enumerate(peaks):
        take(memory, supply, "battery_percent", peak, NOW_S - (len(peaks) - 1 - i) * day_s)
    assert at_pole(memory, "ridge", NOW_S).get("never_full") is never


@pytest.mark.parametrize(("hour", "watts", "nothing"), [(12.0, 3.0, True), (12.0, 4.0, False), (7.0, 0.0, None)])
def test_a_panel_that_gives_nothing_in_high_sun(
    memory: Memory, hour: float, watts: float, nothing: bool | None
) -> None:
    """Local solar time from the longitude; a hundredth of the panel's 340 W comes through any cloud."""
    midnight_s = NOW_S // 86_400 * 86_400 - memory.plan.site.longitude / 360 * 86_400
    at_s = midnight_s + hour * 3600
    take(memory, "supply/ridge-solar", "battery_percent", 60.0, at_s)
    take(memory, "supply/ridge-solar", "panel_watts", watts, at_s)
    assert at_pole(memory, "ridge", at_s).get("no_charge_in_sun") is nothing


def test_what_was_seen_in_a_silence_explains_that_silence_only(memory: Memory) -> None:
    """Its end is told with what only the return tells, whether its switch has started anew; nothing later is."""
    memory.silences["creek"] = Silence({"current_gone": True, "link_down": True}, ("link: down",))
    take(memory, SWITCH, "uptime_seconds", 40.0)
    ended = of_return(memory, "creek", NOW_S)
    assert ended is not None
    assert {ended.signs[name] for name in ("current_gone", "link_down", "restarted")} == {True}
    assert ended.lines == ("link: down",)
    later = gather(memory, Subject("creek"), NOW_S)
    assert not later.signs.keys() & {"current_gone", "link_down"}
    assert later.signs["pole_silent"] is False
    assert of_return(memory, "yards", NOW_S) is None, "nothing was gathered there"


def test_the_load_that_is_asked_about_is_looked_at_else_the_one_in_trouble(memory: Memory) -> None:
    take(memory, "creek/port/1", "port_watts", 0.0)
    take(memory, "creek/port/2", "port_watts", 5.0)
    take(memory, "creek/port/2", "in_error_frames_per_s", 3.0)
    asked = gather(memory, Subject("creek", "creek-gate-camera"), NOW_S)
    assert (asked.signs["port_dead"], asked.signs["port_errors"]) == (True, None)
    worst = gather(memory, Subject("creek"), NOW_S)
    assert (worst.signs["port_dead"], worst.signs["port_errors"]) == (False, True)
    assert worst.lines == ("port 2: 5.0 W",)


def test_every_sign_may_be_seen_by_mistake_and_seldom_is() -> None:
    assert all(0 < sign.leak <= 0.05 for sign in SIGNS.values())


@pytest.mark.parametrize("reason", ["", "the margin is used up", "es geht nicht"])
@pytest.mark.parametrize(("drift", "fell"), [(Drift(20_020, "ramp", -1.25, 20_012), True), (None, False)])
def test_light_that_drifts_has_fallen_whatever_is_said_of_its_forecast(
    memory: Memory, reason: str, drift: Drift | None, fell: bool
) -> None:
    """What is worst of all, a margin that is used up, has no forecast, and is a drift all the same."""
    slot, days = Slot(FAR, "rx_dbm"), np.arange(20_000, 20_030)
    judged = Judged(days, np.zeros(30), np.full(30, 1.1), Baseline(20_000, 0.0, 0.1, None), (20_000,), drift, 0.0)
    memory.verdicts = {slot: Verdict(slot, "creek", 20_029, -20.0, judged, None, None, reason)}
    assert at_pole(memory, "creek", NOW_S).get("light_far_fell") is fell
