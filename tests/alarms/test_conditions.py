import math

from monitor.alarms.book import Book, Condition, step
from monitor.alarms.conditions import of_margins, of_ports, of_sight
from monitor.alarms.silence import Sight, Watch, look
from monitor.alarms.states import Severity
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.margins.judge import judge
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
