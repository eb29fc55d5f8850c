"""Each sign of a pole that answers, on both sides of its limit, and what of it stays unknown.

The limits are the project's defaults (common practice, no source).
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from monitor.alarms.book import Alarm, Key
from monitor.alarms.pole_signs import PoleSigns
from monitor.alarms.silence import Watch
from monitor.alarms.states import Severity
from monitor.daemon.memory import Memory
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.margins.drift import Baseline, Drift, Judged
from monitor.margins.judge import Margin, Standing
from monitor.margins.verdict import Verdict
from tests.alarms.test_signs import CAMERA, FAR, NEAR, NOW_S, PORT, SWITCH, memory, take, usual

__all__ = ["memory"]

GATEWAY = "creek/load/creek-tank-gateway"
UPLINK, ABOVE = "creek/port/5", "office/port/9"


def now_is(memory: Memory, resource: str, quantity: str, value: float | None) -> None:
    """A reading of now that has changed nothing of what is usual."""
    slot = Slot(resource, quantity)
    readings = Round.blank(Layout(str(slot), "measure", (slot,)), NOW_S, State.SILENT)
    if value is not None:
        readings.put(0, value)
    memory.latest.take(readings)


def moved(memory: Memory, resource: str, quantity: str, usually: float, now: float) -> None:
    usual(memory, resource, quantity, usually)
    now_is(memory, resource, quantity, now)


def stands(memory: Memory, resource: str, kind: str, raised_s: float = NOW_S - 600, cleared: bool = False) -> None:
    key = Key(resource, kind)
    alarm = Alarm(key, Severity.MINOR, cleared, "", raised_s, raised_s)
    memory.book = replace(memory.book, alarms={**memory.book.alarms, key: alarm})


def judged(
    memory: Memory, resource: str, quantity: str, standing: Standing, side: str = "low", value: float | None = 1.0
) -> None:
    slot = Slot(resource, quantity)
    memory.margins[slot] = Margin(slot, NOW_S, value, 0.0, side, standing)


def drifts(memory: Memory, resource: str, drift: Drift | None, reason: str = "") -> None:
    days = np.arange(20_000, 20_030)
    found = Judged(days, np.zeros(30), np.zeros(30), Baseline(20_000, 0.0, 0.1, None), (20_000,), drift, 0.0)
    slot = Slot(resource, "rx_dbm")
    memory.verdicts[slot] = Verdict(slot, "creek", 20_029, -20.0, found, None, None, reason)


def of(memory: Memory, pole: str = "creek") -> PoleSigns:
    return PoleSigns(memory, memory.plan.pole(pole), NOW_S)


def camera(memory: Memory) -> Mapping[str, bool | None]:
    return of(memory).load(memory.plan.pole("creek").loads[0])


# ---- the pole as a whole


def test_of_a_pole_that_is_well_nothing_is_lost_and_no_port_stands_out(memory: Memory) -> None:
    assert of(memory).whole() == {
        "pole_silent": False,
        "siblings_lost": False,
        "all_lost": False,
        "agent_silent": False,
        "sign_of_life_lost": False,
        "since_visit": None,
        "one_port": None,
        "several_ports": None,
    }
    assert of(memory).worst() is None


@pytest.mark.parametrize(("ever", "misses", "silent"), [(True, 2, True), (True, 1, False), (False, 9, False)])
def test_an_agent_is_silent_that_has_answered_and_has_missed_twice(
    memory: Memory, ever: bool, misses: int, silent: bool
) -> None:
    memory.watches = {**memory.watches, "creek": Watch(answered_s=NOW_S, agent_ever=ever, agent_misses=misses)}
    assert of(memory).whole()["agent_silent"] is silent


@pytest.mark.parametrize(
    ("kind", "lost"),
    [
        ("callouts-not-going-out", True),
        ("history-not-written", True),
        ("clock-doubted", True),
        ("sign-of-life-lost", True),
        ("rounds-late", False),
    ],
)
def test_what_stands_of_farpole_itself_may_be_what_is_wrong(memory: Memory, kind: str, lost: bool) -> None:
    stands(memory, resources.ITSELF, kind)
    assert of(memory).whole()["sign_of_life_lost"] is lost
    stands(memory, resources.ITSELF, kind, cleared=True)
    assert of(memory).whole()["sign_of_life_lost"] is False
    stands(memory, "creek/switch", kind)
    assert of(memory).whole()["sign_of_life_lost"] is False, "of farpole, and of nothing else"


@pytest.mark.parametrize(
    ("resource", "kind"),
    [
        *((CAMERA, kind) for kind in ("load-silent", "stream-broken", "stream-thin", "service-refused", "load-quiet")),
        *((CAMERA, kind) for kind in ("clock-off", "device-moved")),
        *((PORT, kind) for kind in ("poe-port-fault", "port-cut", "port-restless", "frames-broken", "port-slow")),
        (PORT, "device-unknown"),
    ],
)
def test_one_load_in_trouble_is_the_worst_and_its_port_stands_out(memory: Memory, resource: str, kind: str) -> None:
    stands(memory, resource, kind)
    whole, worst = of(memory).whole(), of(memory).worst()
    assert (whole["one_port"], whole["several_ports"]) == (True, False)
    assert worst is not None
    assert worst.name == "creek-gate-camera"
    stands(memory, resource, kind, cleared=True)
    assert of(memory).whole()["one_port"] is None


@pytest.mark.parametrize(("frames_a_second", "troubled"), [(0.01, False), (0.02, True)])
def test_a_load_is_in_trouble_whose_frames_break(memory: Memory, frames_a_second: float, troubled: bool) -> None:
    now_is(memory, PORT, "in_error_frames_per_s", frames_a_second)
    assert (of(memory).worst() is not None) is troubled


@pytest.mark.parametrize(("apart_s", "together"), [(0.0, True), (89.0, True), (90.0, False)])
def test_several_ports_were_struck_together_within_a_minute_and_a_half(
    memory: Memory, apart_s: float, together: bool
) -> None:
    stands(memory, CAMERA, "load-silent")
    stands(memory, GATEWAY, "load-silent", NOW_S - 600 + apart_s)
    whole = of(memory).whole()
    assert (whole["one_port"], whole["several_ports"]) == (False, together)


def test_what_has_cleared_or_was_no_silence_was_not_struck_together(memory: Memory) -> None:
    stands(memory, CAMERA, "load-silent")
    stands(memory, GATEWAY, "stream-broken")
    assert of(memory).whole()["several_ports"] is False
    stands(memory, GATEWAY, "load-silent", cleared=True)
    assert of(memory).whole()["several_ports"] is False


# ---- light


@pytest.mark.parametrize(
    ("by_db", "fell"), [(-0.51, True), (-0.5, None), (-0.3, None), (-0.29, False), (0.0, False), (2.0, False)]
)
def test_light_fell_that_is_half_a_decibel_less_and_not_that_is_less_than_a_third(
    memory: Memory, by_db: float, fell: bool | None
) -> None:
    for resource, quantity in ((NEAR, "rx_dbm"), (FAR, "rx_dbm"), (FAR, "tx_dbm")):
        moved(memory, resource, quantity, 0.0, by_db)
    found = of(memory).light()
    assert [found[sign] for sign in ("light_near_fell", "light_far_fell", "tx_fell")] == [fell] * 3


def test_of_light_of_which_nothing_is_usual_nothing_is_said(memory: Memory) -> None:
    now_is(memory, NEAR, "rx_dbm", -30.0)
    found = of(memory).light()
    assert (found["light_near_fell"], found["light_far_fell"], found["tx_fell"]) == (None, None, None)
    assert "gradual" not in found
    assert "light_unequal" not in found
    assert "optic_hot" not in found


@pytest.mark.parametrize(("optic", "sign"), [(NEAR, "light_near_fell"), (FAR, "light_far_fell")])
def test_light_that_the_nights_have_seen_to_drift_fell_slowly(memory: Memory, optic: str, sign: str) -> None:
    drifts(memory, optic, None)
    assert of(memory).light()[sign] is False
    drifts(memory, optic, Drift(20_020, "ramp", -1.25, 20_012), "too few days")
    assert of(memory).light()[sign] is True, "why there is no date says nothing against it"
    drifts(memory, optic, Drift(20_020, "ramp", -1.25, 20_012))
    assert of(memory).light()[sign] is True
    moved(memory, optic, "rx_dbm", 0.0, -0.1)
    assert (of(memory).light()[sign], of(memory).light()["gradual"]) == (True, True), "so little a day is usual"
    now_is(memory, optic, "rx_dbm", -3.0)
    assert of(memory).light()[sign] is True
    assert "gradual" not in of(memory).light(), "it fell at once as well"


@pytest.mark.parametrize(
    ("near_db", "far_db", "unequal"),
    [
        (-0.6, -1.0, False),
        (-0.6, -1.1, True),
        (-1.1, -0.6, True),
        (-0.6, -0.3, None),
        (-0.31, -0.6, False),
        (-0.5, -0.4, "not said"),
        (0.0, 0.0, "not said"),
    ],
)
def test_both_directions_lost_alike_or_one_more(
    memory: Memory, near_db: float, far_db: float, unequal: bool | str | None
) -> None:
    moved(memory, NEAR, "rx_dbm", 0.0, near_db)
    moved(memory, FAR, "rx_dbm", 0.0, far_db)
    assert of(memory).light().get("light_unequal", "not said") == unequal


def test_of_one_fibre_of_a_pair_nothing_follows_for_the_other(memory: Memory) -> None:
    """Where both ends have the same optic each direction has a fibre of its own (IEEE 802.3 clause 59, LX10)."""
    near, far = "office/optic/10", "yards/optic/5"
    moved(memory, near, "rx_dbm", 0.0, -2.0)
    moved(memory, far, "rx_dbm", 0.0, 0.0)
    found = of(memory, "yards").light()
    assert (found["light_near_fell"], found["light_far_fell"]) == (True, None)
    now_is(memory, near, "rx_dbm", 0.0)
    found = of(memory, "yards").light()
    assert (found["light_near_fell"], found["light_far_fell"]) == (False, False)
    moved(memory, NEAR, "rx_dbm", 0.0, -2.0)
    moved(memory, FAR, "rx_dbm", 0.0, 0.0)
    assert of(memory).light()["light_far_fell"] is False, "on one strand both directions share what dirt there is"


@pytest.mark.parametrize(
    ("resource", "quantity", "value", "sign", "says"),
    [
        (FAR, "optic_c", 70.0, "optic_hot", False),
        (FAR, "optic_c", 70.5, "optic_hot", True),
        (UPLINK, "fcs_error_frames_per_s", 0.01, "frame_errors", False),
        (ABOVE, "fcs_error_frames_per_s", 0.011, "frame_errors", True),
    ],
)
def test_optic_and_frames(
    memory: Memory, resource: str, quantity: str, value: float, sign: str, says: bool | None
) -> None:
    assert of(memory).light().get(sign) is None
    now_is(memory, resource, quantity, value)
    assert of(memory).light()[sign] is says


@pytest.mark.parametrize(
    ("usually", "now", "rose"), [(20.0, 22.1, True), (20.0, 22.0, None), (20.0, 21.0, None), (20.0, 20.9, False)]
)
def test_a_bias_rose_by_a_tenth_or_stayed_within_a_twentieth(
    memory: Memory, usually: float, now: float, rose: bool | None
) -> None:
    moved(memory, FAR, "bias_milliamperes", usually, now)
    assert of(memory).light()["bias_rose"] is rose


def test_of_a_laser_that_usually_draws_nothing_no_share_can_be_told(memory: Memory) -> None:
    moved(memory, FAR, "bias_milliamperes", 0.0, 5.0)
    assert of(memory).light()["bias_rose"] is None


def test_a_pole_behind_a_radio_has_no_light(memory: Memory) -> None:
    assert of(memory, "ridge").light() == {}
    assert of(memory, "ridge").flaps() == {}


def test_a_link_that_was_never_read_is_neither_restless_nor_steady(memory: Memory) -> None:
    assert of(memory).flaps() == {}
    take(memory, ABOVE, "link_state", 1.0)
    assert of(memory).flaps() == {"light_comes_and_goes": False}


def test_with_the_link_stand_the_spanning_trees_changes_and_a_visit(memory: Memory) -> None:
    take(memory, SWITCH, "topology_change_count", 5.0, NOW_S - 60)
    assert "tree_changes" not in of(memory).flaps()
    take(memory, SWITCH, "topology_change_count", 6.0)
    memory.visits["creek"] = NOW_S - 3 * 86_400 + 1
    assert of(memory).flaps() == {"tree_changes": True, "since_visit": True}
    memory.visits["creek"] = NOW_S - 3 * 86_400
    assert of(memory).flaps() == {"tree_changes": True}


# ---- the network, and power at the switch


@pytest.mark.parametrize(
    ("resource", "quantity", "value", "sign", "says"),
    [
        (UPLINK, "out_megabits_per_s", 750.0, "uplink_full", False),
        (UPLINK, "out_megabits_per_s", 751.0, "uplink_full", True),
        (UPLINK, "out_discard_frames_per_s", 0.1, "discards", False),
        (UPLINK, "out_discard_frames_per_s", 0.11, "discards", True),
        (UPLINK, "in_broadcast_frames_per_s", 1000.5, "broadcast", True),
        ("creek/port/3", "in_broadcast_frames_per_s", 1000.0, "broadcast", False),
        (SWITCH, "uptime_seconds", 3600.0, "restarted", False),
        (SWITCH, "uptime_seconds", 3599.0, "restarted", True),
    ],
)
def test_the_network_at_a_pole(
    memory: Memory, resource: str, quantity: str, value: float, sign: str, says: bool
) -> None:
    assert of(memory).network().get(sign) is None
    now_is(memory, resource, quantity, value)
    assert of(memory).network()[sign] is says


def test_an_uplink_whose_speed_the_plan_leaves_out_has_a_gigabit(memory: Memory) -> None:
    pole = memory.plan.pole("creek")
    for planned, full in ((None, False), (900, True)):
        switch = pole.switch.model_copy(update={"uplink_megabits_per_s": planned})
        now_is(memory, UPLINK, "out_megabits_per_s", 700.0)
        signs = PoleSigns(memory, pole.model_copy(update={"switch": switch}), NOW_S).network()
        assert signs["uplink_full"] is full


@pytest.mark.parametrize(
    ("quantity", "sign"), [("topology_change_count", "tree_changes"), ("power_denied_count", "denials")]
)
def test_counts_of_the_switch_say_something_for_an_hour(memory: Memory, quantity: str, sign: str) -> None:
    assert of(memory).network()[sign] is None
    take(memory, SWITCH, quantity, 5.0, NOW_S - 60)
    assert of(memory).network()[sign] is False
    take(memory, SWITCH, quantity, 6.0)
    assert of(memory).network()[sign] is True


@pytest.mark.parametrize(("ohms", "rose"), [(0.31, True), (0.3, None), (0.15, None), (0.14, False)])
def test_a_feeders_resistance_rose_by_a_third_of_an_ohm(memory: Memory, ohms: float, rose: bool | None) -> None:
    assert "loop_rose" not in of(memory).network()
    moved(memory, "creek/feeder", "loop_ohms", 0.0, ohms)
    assert of(memory).network()["loop_rose"] is rose


@pytest.mark.parametrize(
    ("resource", "quantity", "sign"),
    [(SWITCH, "input_volts", "volts_low"), ("supply/office-a", "supply_volts", "supply_wrong")],
)
def test_volts_outside_their_margin_are_wrong_and_without_a_value_unknown(
    memory: Memory, resource: str, quantity: str, sign: str
) -> None:
    assert sign not in of(memory).network()
    for standing in (Standing.INSIDE, Standing.CLOSE, Standing.PAST):
        judged(memory, resource, quantity, standing)
        assert of(memory).network()[sign] is (standing is not Standing.INSIDE)
    judged(memory, resource, quantity, Standing.NO_VALUE, value=None)
    assert sign not in of(memory).network()


# ---- loads


def test_of_a_load_of_which_nothing_was_read_nothing_is_known(memory: Memory) -> None:
    found = camera(memory)
    assert {name: so for name, so in found.items() if so is not None} == {
        "stranger": False,
        "class_changed": False,
        "address_moved": False,
    }
    for sign in ("denials", "watts_saw_tooth", "stream_lost", "few_octets", "picture_still", "clock_off"):
        assert sign not in found


@pytest.mark.parametrize(
    ("watts", "state", "dead"),
    [(0.29, None, True), (0.3, None, False), (5.0, 3.0, False), (0.1, 3.0, True), (5.0, 2.0, True), (None, 3.0, None)],
)
def test_a_port_is_dead_that_gives_next_to_nothing_or_does_not_deliver(
    memory: Memory, watts: float | None, state: float | None, dead: bool | None
) -> None:
    """RFC 3621: pethPsePortDetectionStatus deliveringPower(3)."""
    now_is(memory, PORT, "port_watts", watts)
    now_is(memory, PORT, "poe_port_state", state)
    assert camera(memory)["port_dead"] is dead


@pytest.mark.parametrize(
    ("resource", "kind", "sign"),
    [
        (PORT, "device-unknown", "stranger"),
        (PORT, "class-beside-plan", "class_changed"),
        (CAMERA, "device-moved", "address_moved"),
        (CAMERA, "address-claimed-twice", "address_moved"),
    ],
)
def test_alarms_that_stand_are_signs(memory: Memory, resource: str, kind: str, sign: str) -> None:
    stands(memory, resource, kind)
    assert {name for name in ("stranger", "class_changed", "address_moved") if camera(memory)[name]} == {sign}
    stands(memory, resource, kind, cleared=True)
    assert camera(memory)[sign] is False


@pytest.mark.parametrize("quantity", ["in_error_frames_per_s", "fcs_error_frames_per_s"])
def test_frames_break_at_a_port_that_counts_more_than_one_in_a_hundred_seconds(memory: Memory, quantity: str) -> None:
    now_is(memory, PORT, quantity, 0.01)
    assert camera(memory)["port_errors"] is False
    now_is(memory, PORT, quantity, 0.011)
    assert camera(memory)["port_errors"] is True


@pytest.mark.parametrize(("megabits_per_s", "slow"), [(99.0, True), (100.0, False), (0.0, False), (1.0, True)])
def test_a_port_is_slow_below_fast_ethernet_and_not_where_it_has_no_speed(
    memory: Memory, megabits_per_s: float, slow: bool
) -> None:
    now_is(memory, PORT, "speed_megabits_per_s", megabits_per_s)
    assert camera(memory)["port_slow"] is slow


@pytest.mark.parametrize(
    ("swings", "first_ago_s", "so"), [(4, 1800.0, True), (3, 1800.0, False), (4, 1801.0, False), (0, 60.0, False)]
)
def test_watts_that_swing_four_times_in_half_an_hour_are_a_saw_tooth(
    memory: Memory, swings: int, first_ago_s: float, so: bool
) -> None:
    take(memory, PORT, "port_watts", 5.0, NOW_S - 3000)
    for i in range(swings):
        take(memory, PORT, "port_watts", 15.0 - 10.0 * (i % 2), NOW_S - (first_ago_s if i == 0 else 600 - i))
    assert camera(memory)["watts_saw_tooth"] is so


@pytest.mark.parametrize(
    ("usually", "now", "few"),
    [
        (4.0, 0.39, True),
        (4.0, 0.4, False),
        (0.07, 0.0159, True),
        (0.07, 0.016, False),
        (0.064, 0.0, "not said"),
    ],
)
def test_next_to_nothing_comes_below_a_tenth_of_what_is_usual_and_below_16_kilobits(
    memory: Memory, usually: float, now: float, few: bool | str
) -> None:
    moved(memory, PORT, "in_megabits_per_s", usually, now)
    assert camera(memory).get("few_octets", "not said") == few


@pytest.mark.parametrize(
    ("side", "standing", "still"),
    [
        ("low", Standing.PAST, True),
        ("low", Standing.CLOSE, False),
        ("high", Standing.PAST, False),
        ("low", Standing.INSIDE, False),
    ],
)
def test_a_picture_stands_still_whose_stream_is_far_too_thin(
    memory: Memory, side: str, standing: Standing, still: bool
) -> None:
    judged(memory, CAMERA, "stream_kilobits_per_s", standing, side)
    assert camera(memory)["picture_still"] is still
    judged(memory, CAMERA, "stream_kilobits_per_s", standing, side, None)
    assert "picture_still" not in camera(memory)


@pytest.mark.parametrize(("standing", "off"), [(Standing.INSIDE, False), (Standing.CLOSE, True), (Standing.PAST, True)])
def test_a_clock_outside_its_margin_is_wrong(memory: Memory, standing: Standing, off: bool) -> None:
    judged(memory, CAMERA, "clock_offset_seconds", standing)
    assert camera(memory)["clock_off"] is off
    judged(memory, CAMERA, "clock_offset_seconds", standing, value=None)
    assert "clock_off" not in camera(memory)


def test_a_stream_that_was_looked_at_says_more_than_its_port(memory: Memory) -> None:
    now_is(memory, CAMERA, "tcp_state", 1.0)
    now_is(memory, CAMERA, "stream_state", 3.0)
    assert camera(memory)["stream_lost"] is True


@pytest.mark.parametrize(("quantity", "value"), [("port_watts", 0.0), ("link_state", 2.0)])
def test_behind_a_port_without_power_or_link_nothing_is_said(memory: Memory, quantity: str, value: float) -> None:
    now_is(memory, CAMERA, "stream_state", 3.0)
    assert camera(memory)["stream_lost"] is True
    now_is(memory, PORT, quantity, value)
    assert "stream_lost" not in camera(memory)


def test_of_all_loads_one_that_is_seen_is_seen_and_all_must_be_known_for_none(memory: Memory) -> None:
    ports = [f"creek/port/{n}" for n in (1, 2, 3)]
    for port in ports[:2]:
        now_is(memory, port, "link_state", 1.0)
    assert of(memory).all_loads()["port_link_lost"] is None, "of the third nothing is known"
    now_is(memory, ports[2], "link_state", 1.0)
    assert of(memory).all_loads()["port_link_lost"] is False
    now_is(memory, ports[1], "link_state", 2.0)
    assert of(memory).all_loads()["port_link_lost"] is True


def test_watts_are_said_with_what_is_usual_where_that_is_known(memory: Memory) -> None:
    load = memory.plan.pole("creek").loads[0]
    assert of(memory).lines(load) == ()
    now_is(memory, PORT, "port_watts", 5.04)
    assert of(memory).lines(load) == ("port 1: 5.0 W",)
    usual(memory, PORT, "port_watts", 8.0)
    assert of(memory).lines(load) == ("port 1: 5.0 W, usually 8.0 W",)
