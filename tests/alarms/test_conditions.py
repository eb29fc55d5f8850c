import math

import pytest

from monitor.alarms.book import Book, Condition, step
from monitor.alarms.conditions import of_margins, of_ports, of_sight, of_stream
from monitor.alarms.silence import Sight, Watch, look
from monitor.alarms.states import Severity
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.margins.judge import Margin, Standing, judge
from monitor.margins.limits import Limit

RX = Slot("creek/optic/5", "rx_dbm")
LIGHT = Limit(RX, -19.5, -3.0, 3.0, 0.5, (-12.3, -6.3), "a standard")
LOADS = {"camera": "creek/load/camera"}


def of_light(value: float) -> dict[str, Condition]:
    return {c.key.type: c for c in of_margins({RX: judge(LIGHT, value, 0.0)}, {})}


def test_close_is_a_warning_past_is_what_the_inventory_says() -> None:
    assert of_light(-17.0)["light-low"].severity is Severity.WARNING
    assert of_light(-21.0)["light-low"].severity is Severity.MAJOR
    assert of_light(-9.0)["light-low"].severity is None
    assert of_light(-2.0)["light-high"].severity is Severity.MAJOR


def test_a_dark_port_towards_a_silent_pole_is_no_fault_of_its_own() -> None:
    margins = {RX: judge(LIGHT, -math.inf, 0.0)}
    undecided = {c.key.type: c for c in of_margins(margins, {RX.resource: ""})}
    assert "light-low" not in undecided
    linked = {c.key.type: c for c in of_margins(margins, {RX.resource: "woolshed"})}
    assert linked["light-low"].root == "woolshed"


def test_no_light_reads_as_no_light() -> None:
    assert of_light(-math.inf)["light-low"].text == "no light, past limit"


def test_light_far_from_the_plan_is_said_even_where_the_margin_is_fine() -> None:
    found = of_light(-15.5)["light-beside-plan"]
    assert found.severity is Severity.WARNING
    assert "3.2 dB below what the plan expects" in found.text


def sight_conditions(sight: Sight, watch: Watch, services: dict[str, bool] | None = None) -> dict[str, Condition]:
    return {c.key.type: c for c in of_sight(sight, watch, "creek/switch", services or {}, LOADS)}


def test_credentials_refused_is_not_silence() -> None:
    sight = Sight("creek", 500.0, None, refused=True, loads={"camera": State.SEEN})
    watch = look(Watch(answered_s=1, back_since_s=1), sight)
    found = sight_conditions(sight, watch)
    assert found["credentials-refused"].severity is Severity.MAJOR
    assert "agent-silent" not in found or found["agent-silent"].severity is None


def test_an_agent_that_never_answered_behind_a_ping_points_at_the_community() -> None:
    sight = Sight("creek", 500.0, State.SILENT, ping=State.SEEN, loads={"camera": State.SEEN})
    found = sight_conditions(sight, look(Watch(), sight))
    assert found["credentials-refused"].severity is Severity.MAJOR
    assert "community" in found["credentials-refused"].text
    assert found["agent-silent"].severity is None


def test_an_agent_that_used_to_answer_is_silent_not_refusing() -> None:
    sight = Sight("creek", 500.0, State.SILENT, ping=State.SEEN)
    found = sight_conditions(sight, look(Watch(agent_ever=True), sight))
    assert found["credentials-refused"].severity is None
    assert found["agent-silent"].severity is Severity.MINOR


def test_loads_of_a_pole_that_is_just_back_get_time_to_start() -> None:
    sight = Sight("creek", 500.0, State.SEEN, loads={"camera": State.SILENT})
    assert "load-silent" not in sight_conditions(sight, Watch(answered_s=500, back_since_s=450))
    found = sight_conditions(sight, Watch(answered_s=500, back_since_s=10))
    assert found["load-silent"].severity is Severity.MAJOR


def test_a_refused_connection_is_the_service_not_the_device() -> None:
    sight = Sight("creek", 500.0, State.SEEN, loads={"camera": State.SEEN})
    found = sight_conditions(sight, Watch(answered_s=500, back_since_s=10), {"camera": True})
    assert found["load-silent"].severity is None
    assert found["service-refused"].severity is Severity.MINOR


def test_garbled_answers_are_counted_and_shown() -> None:
    layout = Layout("creek/switch", "measure", (RX, Slot("creek/switch", "input_volts")))
    readings = Round.blank(layout, 0.0, State.SILENT)
    readings.put(1, 51.0)
    readings.garble(0, "it says 'N/A'")
    (found,) = of_ports(readings)
    assert found.severity is Severity.WARNING
    assert "1 garbled" in found.text
    book = Book()
    for i in range(3):
        book, changes = step(book, of_ports(readings), float(i))
    assert [c.what for c in changes] == ["raised"]


def test_a_poe_port_in_fault() -> None:
    slot = Slot("creek/port/1", "poe_port_state")
    readings = Round.blank(Layout("creek/switch", "measure", (slot,)), 0.0, State.SILENT)
    readings.put(0, 4)  # RFC 3621 pethPsePortDetectionStatus: fault(4)
    found = {c.key.type: c for c in of_ports(readings)}
    assert found["poe-port-fault"].severity is Severity.MAJOR


@pytest.mark.parametrize(
    ("quantity", "side", "kind"),
    [
        ("rx_dbm", "low", "light-low"),
        ("rx_dbm", "high", "light-high"),
        ("input_volts", "low", "volts-low"),
        ("supply_volts", "high", "volts-high"),
        ("poe_total_watts", "high", "poe-watts-high"),
        ("port_watts", "high", "port-watts-high"),
        ("feeder_amperes", "high", "amperes-high"),
        ("battery_percent", "low", "battery-low"),
        ("stream_kilobits_per_s", "low", "stream-thin"),
        ("stream_lost_percent", "high", "stream-lossy"),
        ("clock_offset_seconds", "low", "clock-off"),
        ("clock_offset_seconds", "high", "clock-off"),
    ],
)
def test_a_value_past_a_limit_is_the_alarm_of_that_side_alone(quantity: str, side: str, kind: str) -> None:
    slot = Slot("creek/switch", quantity)
    standing = {"inside": Standing.INSIDE, "close": Standing.CLOSE, "past": Standing.PAST}
    severities = {}
    for name, one in standing.items():
        found = list(of_margins({slot: Margin(slot, 0.0, 1.0, 0.5, side, one)}, {}))
        severities[name] = [c.severity for c in found if c.severity is not None]
        assert {c.key.type for c in found if c.severity is not None} <= {kind}
        assert kind in {c.key.type for c in found}
    assert severities["inside"] == []
    assert severities["close"] == [Severity.WARNING]
    assert len(severities["past"]) == 1


def test_a_value_that_is_not_there_is_no_condition() -> None:
    missing = Margin(RX, 0.0, None, None, "low", Standing.NO_VALUE)
    assert list(of_margins({RX: missing}, {})) == []


@pytest.mark.parametrize(
    ("beside_db", "standing", "said"),
    [
        (3.0, Standing.INSIDE, ""),
        (3.1, Standing.INSIDE, "3.1 dB above"),
        (-3.1, Standing.INSIDE, "3.1 dB below"),
        (-9.0, Standing.CLOSE, ""),
        (-9.0, Standing.PAST, ""),
    ],
)
def test_light_is_beside_the_plan_by_more_than_three_decibels_where_nothing_worse_is_said(
    beside_db: float, standing: Standing, said: str
) -> None:
    """Accuracy of the levels: SFF-8472, 3 dB either way."""
    margin = Margin(RX, 0.0, -15.0, 4.0, "low", standing, beside_db)
    found = {c.key.type: c for c in of_margins({RX: margin}, {})}["light-beside-plan"]
    assert (found.severity is Severity.WARNING) is bool(said)
    assert said in found.text


def test_a_value_is_said_with_its_margin_and_the_side_that_is_nearer() -> None:
    low = {c.key.type: c for c in of_margins({RX: Margin(RX, 0.0, -18.0, 1.5, "low", Standing.CLOSE)}, {})}
    assert low["light-low"].text == "-18.0 dBm, close to limit: margin 1.5 dB on the low side"
    high = {c.key.type: c for c in of_margins({RX: Margin(RX, 0.0, -4.0, 1.0, "high", Standing.CLOSE)}, {})}
    assert high["light-high"].text == "-4.0 dBm, close to limit: margin 1.0 dB on the high side"


def test_what_stands_in_a_shadow_is_raised_by_nobody_and_clears_as_ever() -> None:
    found = list(of_margins({RX: judge(LIGHT, -9.0, 0.0)}, {RX.resource: ""}))
    assert found
    assert all(one.severity is None and one.root == "" for one in found)


@pytest.mark.parametrize(("state", "fault"), [(2.0, False), (3.0, False), (4.0, True), (5.0, False), (6.0, True)])
def test_of_the_states_of_a_port_two_are_faults(state: float, fault: bool) -> None:
    """RFC 3621, pethPsePortDetectionStatus: fault(4), otherFault(6)."""
    slot = Slot("creek/port/1", "poe_port_state")
    readings = Round.blank(Layout("creek/switch", "measure", (slot,)), 0.0, State.SILENT)
    assert list(of_ports(readings)) == [], "nothing was heard"
    readings.put(0, state)
    port, garbled = of_ports(readings)
    assert (port.key.type, port.severity is not None) == ("poe-port-fault", fault)
    assert (str(garbled.key), garbled.severity) == ("creek/switch answer-garbled measure", None)


def test_only_garbage_is_an_answer_that_is_garbled() -> None:
    slots = (RX, Slot("creek/switch", "input_volts"), Slot("creek/port/1", "poe_port_state"))
    readings = Round.blank(Layout("creek/switch", "measure", slots), 0.0, State.SILENT)
    readings.garble(1, "it says 'N/A'")
    readings.garble(2, "it says 99")
    (found,) = of_ports(readings)
    assert found.severity is Severity.WARNING
    assert found.text.startswith("2 garbled: creek/switch input_volts")


@pytest.mark.parametrize(("state", "broken"), [(1.0, False), (2.0, True), (3.0, True)])
def test_a_stream_is_broken_in_any_state_but_the_first(state: float, broken: bool) -> None:
    slot, other = Slot("creek/load/camera", "stream_state"), Slot("creek/load/camera", "tcp_state")
    readings = Round.blank(Layout("camera", "look", (other, slot)), 0.0, State.SILENT)
    assert list(of_stream(readings)) == []
    readings.put(0, 9.0)
    readings.put(1, state)
    (found,) = of_stream(readings)
    assert (str(found.key), found.severity is not None) == ("creek/load/camera stream-broken", broken)


def test_of_a_place_that_does_not_answer_nothing_is_said() -> None:
    assert sight_conditions(Sight("creek", 500.0, State.SILENT, ping=State.SILENT), Watch()) == {}


@pytest.mark.parametrize(
    ("agent", "ping", "ever", "refused"),
    [
        (State.SILENT, State.SEEN, False, True),
        (State.SILENT, State.SEEN, True, False),
        (State.SEEN, State.SEEN, False, False),
        (None, State.SEEN, False, False),
    ],
)
def test_who_answers_ping_and_never_snmp_refuses_the_credentials(
    agent: State | None, ping: State, ever: bool, refused: bool
) -> None:
    found = sight_conditions(Sight("creek", 500.0, agent, ping=ping), Watch(agent_ever=ever))
    assert (found["credentials-refused"].severity is not None) is refused
    assert ("agent-silent" in found) is (agent is not None), "who was not asked is not silent"
    if agent is not None:
        assert (found["agent-silent"].severity is not None) is (agent is State.SILENT and not refused)


@pytest.mark.parametrize(("back_since_s", "said"), [(None, False), (380.0, True), (381.0, False)])
def test_a_load_has_two_minutes_to_start(back_since_s: float | None, said: bool) -> None:
    sight = Sight("creek", 500.0, State.SEEN, loads={"camera": State.SILENT})
    assert ("load-silent" in sight_conditions(sight, Watch(back_since_s=back_since_s))) is said
    answers = Sight("creek", 500.0, State.SEEN, loads={"camera": State.SEEN})
    found = sight_conditions(answers, Watch(back_since_s=back_since_s), {"camera": False})
    assert (found["load-silent"].severity, found["service-refused"].severity) == (None, None)
