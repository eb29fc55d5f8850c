import json
import math
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.book import Condition, Key, step
from monitor.alarms.conditions import of_root, of_sight
from monitor.alarms.evidence import Evidence
from monitor.alarms.settlement import Settlement
from monitor.alarms.silence import Sight, Watch, explain
from monitor.alarms.states import Severity
from monitor.daemon.deriving import layer_of
from monitor.daemon.design import Design
from monitor.daemon.memory import Memory
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.margins.judge import Judge
from monitor.show import terminal
from monitor.show.picture import compose
from monitor.show.views import LoadView, MarginView, from_json
from tests.alarms.causes import caused

SYDNEY = ZoneInfo("Australia/Sydney")
NOW_S = 1_790_000_000.0
WELL = Watch(answered_s=NOW_S, agent_ever=True)
RX = Slot("creek/optic/5", "rx_dbm")
WORDS = {"inside", "close to limit", "past limit", "no value", "answers", "silent", "not seen", "not asked"}


@pytest.fixture
def memory(design: Design) -> Memory:
    made = Memory(design)
    made.watches = dict.fromkeys(design.places, WELL)
    return made


def take(memory: Memory, slot: Slot, value: float) -> None:
    readings = Round.blank(Layout("creek/switch", "measure", (slot,)), NOW_S, State.SILENT)
    readings.put(0, value)
    memory.latest.take(readings)
    memory.margins.update(Judge(memory.limits).round(readings, memory.margins))


def silence(memory: Memory, *poles: str) -> None:
    for pole in poles:
        memory.watches[pole] = Watch(misses=3, kinds=2, answered_s=NOW_S - 60)
    memory.explained = explain(memory.design.topology, memory.watches)
    for root in memory.explained.roots:
        cause = caused(Evidence("pole", False, 1.1, 0.0))
        memory.book, _ = step(
            memory.book,
            [
                Condition(
                    Key(root, "pole-silent"),
                    Severity.CRITICAL,
                    f"{root} is silent.",
                    impacted=memory.explained.roots[root],
                    cause=cause,
                )
            ],
            NOW_S,
        )


def test_a_quiet_site_says_so(memory: Memory) -> None:
    picture = compose(memory, NOW_S, "1")
    assert picture.headline == "All poles answer, and no alarm stands."


def test_behind_a_silent_pole_nothing_is_seen_with_the_reason_beside_it(memory: Memory) -> None:
    silence(memory, "creek", "ridge")
    poles = {pole.name: pole for pole in compose(memory, NOW_S, "1").poles}
    assert poles["creek"].state == "silent"
    assert (poles["ridge"].state, poles["ridge"].reason) == ("not seen", "creek is silent")
    assert {load.state for load in poles["creek"].loads} == {"not seen"}
    assert poles["yards"].state == "answers"
    assert compose(memory, NOW_S, "1").headline == "creek is silent."


def test_a_silent_pole_shows_no_old_value_as_if_it_were_now(memory: Memory) -> None:
    take(memory, RX, -9.0)
    silence(memory, "creek")
    creek = next(pole for pole in compose(memory, NOW_S, "1").poles if pole.name == "creek")
    light = next(m for m in creek.margins if m.resource == RX.resource)
    assert (light.value, light.margin, light.standing) == (None, None, "no value")
    assert (light.text, light.missing) == ("not seen", "last −9.0 dBm")


def test_no_light_is_words_and_null_never_a_number(memory: Memory) -> None:
    take(memory, RX, -math.inf)
    document = json.loads(json.dumps(compose(memory, NOW_S, "1").json(), allow_nan=False))
    creek = next(pole for pole in document["poles"] if pole["name"] == "creek")
    light = next(m for m in creek["margins"] if m["resource"] == RX.resource)
    assert (light["value"], light["text"], light["standing"]) == (None, "no light", "past limit")


def test_what_was_not_asked_is_not_a_number(memory: Memory) -> None:
    view = next(m for p in compose(memory, NOW_S, "1").poles for m in p.margins if m.resource == RX.resource)
    assert (view.value, view.text, view.standing) == (None, "not asked", "no value")


def test_what_was_not_asked_this_time_has_no_value_whatever_an_earlier_look_gave(memory: Memory) -> None:
    """A look at a stream that only asked whether it is there leaves out its rate; its old margin is none of now."""
    take(memory, RX, -9.0)
    view = margin_of(memory, RX)
    assert (view.standing, view.margin is None) == ("inside", False)
    take(memory, Slot("creek/switch", "input_volts"), 51.0)  # the next look of the same tier, which leaves it out
    view = margin_of(memory, RX)
    assert (view.value, view.margin, view.standing) == (None, None, "no value")
    assert (view.text, view.missing) == ("not asked", "not asked")


def test_what_was_asked_and_not_answered_has_no_value_and_says_why(memory: Memory) -> None:
    take(memory, RX, -9.0)
    memory.latest.take(Round.blank(Layout("creek/switch", "measure", (RX,)), NOW_S, State.SILENT))
    view = margin_of(memory, RX)
    assert (view.value, view.margin, view.standing, view.missing) == (None, None, "no value", "silent")


def margin_of(memory: Memory, slot: Slot) -> MarginView:
    places = compose(memory, NOW_S, "1").poles
    return next(m for p in places for m in p.margins if (m.resource, m.quantity) == (slot.resource, slot.quantity))


def camera_of(memory: Memory) -> LoadView:
    creek = next(pole for pole in compose(memory, NOW_S, "1").poles if pole.name == "creek")
    return next(load for load in creek.loads if load.name == "creek-gate-camera")


LAYERS = [
    ({}, None, "answers", "answers"),
    ({"poe_port_state": 4.0, "port_watts": 0.0}, None, "broken at watts", "reports a PoE fault"),
    ({"poe_port_state": 2.0, "port_watts": 0.0}, None, "broken at watts", "finds nothing to feed"),
    ({"link_state": 2.0}, None, "broken at link", "no link on port 1"),
    ({}, State.SILENT, "broken at connection", "it has power (it draws 6.4 W) and link, and takes no connection"),
]


@pytest.mark.parametrize(("moved", "tcp", "state", "told"), LAYERS)
def test_a_load_s_state_and_its_alarm_give_one_account_of_its_layers(
    memory: Memory, moved: dict[str, float], tcp: State | None, state: str, told: str
) -> None:
    port, camera = "creek/port/1", "creek/load/creek-gate-camera"
    seen = {"poe_port_state": 3.0, "port_watts": 6.4, "link_state": 1.0} | moved
    slots = tuple(Slot(port, quantity) for quantity in seen)
    readings = Round.blank(Layout("creek/switch", "measure", slots), NOW_S, State.SILENT)
    for i, value in enumerate(seen.values()):
        readings.put(i, value)
    memory.latest.take(readings)
    answered = Round.blank(Layout(camera, "reach", (Slot(camera, "tcp_state"),)), NOW_S, State.SILENT)
    if tcp is None and not moved:
        answered.put(0, 1.0)
    memory.latest.take(answered)
    view = camera_of(memory)
    assert view.state == state
    sight = Sight("creek", NOW_S, State.SEEN, loads={"creek-gate-camera": State.SILENT})
    if state != "answers":
        assert told in layer_of(memory, sight)("creek-gate-camera")
    assert view.layers["connection"] == ("open" if state == "answers" else "silent")
    assert "port" not in view.layers, "a switch's port is another thing"


def test_only_words_of_the_vocabulary_are_shown(memory: Memory) -> None:
    take(memory, RX, -9.0)
    silence(memory, "yards")
    picture = compose(memory, NOW_S, "1")
    shown = {m.standing for p in picture.poles for m in p.margins} | {p.state for p in picture.poles}
    assert shown <= WORDS


def test_a_picture_survives_json(memory: Memory) -> None:
    take(memory, RX, -9.0)
    silence(memory, "creek")
    picture = compose(memory, NOW_S, "1")
    assert from_json(json.loads(json.dumps(picture.json()))) == picture


def test_the_terminal_says_what_a_person_needs(memory: Memory) -> None:
    silence(memory, "creek")
    picture = compose(memory, NOW_S, "1")
    status = terminal.status(picture, SYDNEY)
    assert "creek: silent" in status
    assert "ridge: not seen (creek is silent)" not in status  # ridge still answers here
    why = terminal.why("ridge", picture.alarms, SYDNEY)
    for words in ("check first:", "take along:", "caution: Isolate the feeder", "most likely: the feeder is dead"):
        assert words in why, words
    assert terminal.why("yards", picture.alarms, SYDNEY) == "yards: no alarm stands"
    memory.book, _ = step(
        memory.book, [Condition(Key("creek", "pole-silent"), None, settlement=Settlement.POWER)], NOW_S + 60
    )
    first, past = terminal.why("creek", compose(memory, NOW_S + 60, "1").alarms, SYDNEY).splitlines()
    assert first == "creek: no alarm stands", "a cause does not outlive its alarm"
    assert past.startswith("past: creek: pole-silent, ")
    assert "the feeder is dead" in past
    assert past.endswith("; settled: it was power or the switch itself: its uptime restarted")
    assert "1 standing" in terminal.alarms(picture.alarms, SYDNEY)


def test_the_terminal_says_what_waits_for_a_centre() -> None:
    told = {"centre": "tls://centre:4222", "centre_trouble": "", "centre_answered_ago_s": 4, "centre_waiting": None}
    assert terminal.to_centre(told) == "tls://centre:4222: told; it answered 4 s ago"
    nothing = {"changes": 0, "rounds_behind_s": None, "days": 0}
    assert terminal.to_centre({**told, "centre_waiting": nothing}).endswith("; waiting for it: nothing")
    cut = {
        "centre_trouble": "the line was cut",
        "centre_answered_ago_s": None,
        "centre_waiting": {"changes": 2, "rounds_behind_s": 30_600, "days": 1},
    }
    assert terminal.to_centre({**told, **cut}) == (
        "tls://centre:4222: the line was cut; it has not answered since the start; "
        "waiting for it: 2 changes of alarms, rounds of the last 8.5 h, 1 day"
    )


@pytest.mark.parametrize(
    ("key", "headline"),
    [
        (Key("creek", "pole-silent"), "x"),
        (Key("supply/office-a", "supply-lost"), "x"),
        (Key("yards/load/yards-ramp-camera", "load-silent"), "yards: x"),
        (Key("yards/load/yards-ramp-camera", "clock-off"), "yards/load/yards-ramp-camera: x"),
        (Key("yards/port/1", "port-cut"), "yards/port/1: x"),
    ],
)
@pytest.mark.parametrize("words", ["x", "yards-ramp-camera x", "1 x", "creek x"])
def test_where_the_headline_is_about_goes_by_the_alarm_and_not_by_how_its_words_begin(
    memory: Memory, key: Key, headline: str, words: str
) -> None:
    condition = Condition(key, Severity.MAJOR, words)
    for i in range(9):
        memory.book, _ = step(memory.book, [condition], NOW_S + i)
    assert compose(memory, NOW_S, "1.0").headline == headline.replace("x", words)


@pytest.mark.parametrize("place", ["creek", "supply/office-a", "office"])
def test_the_sentence_of_a_silence_names_its_place(place: str) -> None:
    """Why the headline does not name it once more."""
    assert of_root(Key(place, "pole-silent"), (), caused(Evidence("pole", False))).text.startswith(place)


def test_the_sentence_of_a_silent_load_names_it() -> None:
    sight = Sight("yards", NOW_S, State.SEEN, False, None, {"gate": State.SILENT})
    load = {"gate": "yards/load/gate"}
    found = list(of_sight(sight, Watch(back_since_s=0.0), "yards/switch", {"gate": True}, load))
    named = {one.key.type: one.text for one in found if one.key.resource == load["gate"]}
    assert named.keys() == {"load-silent", "service-refused"}
    assert all(text.startswith("gate") for text in named.values())
