"""With several alarms everybody is told of the same one first, whole: sentence, evidence, checks, van list.

The order is the project's own: the worst, of equals what stands for itself before what follows, then the oldest.
"""

from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.book import Alarm, Book, Condition, Key, step
from monitor.alarms.callouts import messages_for
from monitor.alarms.cause import Cause, cause_of
from monitor.alarms.states import Severity
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.desk import Desk
from monitor.daemon.memory import Memory
from monitor.facts import resources
from monitor.facts.words import say
from monitor.plan.parts import Plan
from monitor.show import farms, terminal
from monitor.show.door import Visitor
from monitor.show.pages import Pages
from monitor.show.picture import compose
from tests.show.test_picture import NOW_S, WELL

ZONE = ZoneInfo("Australia/Sydney")
OLD, NEW = Key("yards/load/yards-ramp-camera", "load-silent"), Key("creek/load/creek-gate-camera", "load-silent")
CAMERA = cause_of({"pole_silent": False, "port_dead": False, "stream_lost": True, "few_octets": True}, {})
CABLE = cause_of({"pole_silent": False, "port_errors": True, "port_slow": True, "one_port": True}, {})


def raised(*some: tuple[Key, Severity, str, Cause]) -> Book:
    """A book in which these were raised one after the other, a minute apart."""
    book = Book()
    for i, (key, severity, root, cause) in enumerate(some):
        for _ in range(3):
            said = Condition(
                key, severity, say("{load} does not answer", load=resources.tail_of(key.resource)), cause=cause
            )
            book, _ = step(book, [said], NOW_S - 600 + 60 * i)
        if root:
            book, _ = step(book, [Condition(key, severity, root=root)], NOW_S)
    return book


@pytest.fixture
def memory(design: Design) -> Memory:
    made = Memory(design)
    made.watches = dict.fromkeys(design.places, WELL)
    made.book = raised((OLD, Severity.MAJOR, "", CAMERA), (NEW, Severity.MAJOR, "", CABLE))
    return made


class Told:
    """Stands in for the rounds."""

    def __init__(self, memory: Memory) -> None:
        self.memory = memory


def block_of(memory: Memory) -> str:
    """The site page up to the poles: headline, and the block beneath it."""
    desk = Desk(HandClock(NOW_S), "1.0")
    desk.opened(Told(memory))  # type: ignore[arg-type]  # of the rounds only the memory is looked at
    page = bytes(Pages(desk).site(Visitor("", "operator", "")).body).decode()
    return page[page.index('class="headline"') : page.index("<figure")]


def test_the_headline_and_the_block_beneath_it_are_of_one_alarm(memory: Memory) -> None:
    picture = compose(memory, NOW_S, "1")
    assert picture.first is picture.alarms[0]
    assert picture.first is not None
    assert picture.headline == "yards: yards-ramp-camera does not answer (and 1 more)"
    assert picture.first.resource == OLD.resource
    shown = block_of(memory)
    assert all(line in shown for line in CAMERA.van_list)
    assert not [line for line in CABLE.van_list if line not in CAMERA.van_list and line in shown]


def test_terminal_and_page_list_in_the_one_order(memory: Memory) -> None:
    """By pole, and the pole of the first alarm first: neither by the alphabet nor by age the other way round."""
    picture = compose(memory, NOW_S, "1")
    assert [a.resource for a in picture.alarms] == [OLD.resource, NEW.resource]
    told = terminal.alarms(picture.alarms, ZONE)
    assert told.index(OLD.resource) < told.index(NEW.resource)
    desk = Desk(HandClock(NOW_S), "1.0")
    desk.opened(Told(memory))  # type: ignore[arg-type]  # of the rounds only the memory is looked at
    page = bytes(Pages(desk).alarms(Visitor("", "operator", "")).body).decode()
    assert page.index("<h2>yards</h2>") < page.index("<h2>creek</h2>")


def test_of_equals_what_stands_for_itself_comes_before_what_follows_from_another() -> None:
    book = raised((OLD, Severity.MAJOR, "creek", CAMERA), (NEW, Severity.MAJOR, "", CABLE))
    assert [alarm.key for alarm in book.raised()] == [NEW, OLD]


def test_a_consequence_that_stands_alone_is_still_told_of(memory: Memory) -> None:
    memory.book = raised((OLD, Severity.MAJOR, "creek", CAMERA))
    assert compose(memory, NOW_S, "1").headline == "yards: yards-ramp-camera does not answer"


def test_callouts_of_one_moment_go_out_in_the_one_order(tarrow: Plan) -> None:
    minor, worst = Key("creek/load/a", "drill"), Key("yards", "pole-silent")
    _, changes = step(Book(), [Condition(minor, Severity.MAJOR), Condition(worst, Severity.CRITICAL)], NOW_S)
    owner = [m for m in messages_for(changes, tarrow, ZONE, {}) if m.person == "owner"]
    assert [m.resource for m in owner] == ["yards", "creek/load/a"]


def test_a_link_takes_care_of_the_alarm_that_its_message_tells_of(tarrow: Plan) -> None:
    """Two alarms of one resource and type differ by their qualifier; each message carries its own alarm's link."""
    optic = "creek/optic/5"
    keys = [Key(optic, "margin-drifting", "bias_milliamperes"), Key(optic, "margin-drifting", "rx_dbm")]
    _, changes = step(Book(), [Condition(key, Severity.CRITICAL) for key in keys], NOW_S)

    def link(person: str, alarm: Alarm) -> str:
        return f"https://tarrow.example/{alarm.key.qualifier}"

    owner = [m for m in messages_for(changes, tarrow, ZONE, {}, link=link) if m.person == "owner"]
    assert [m.body.splitlines()[-1] for m in owner] == [
        f"I take care of it: https://tarrow.example/{key.qualifier}" for key in keys
    ]


def test_a_centre_lists_the_oldest_of_the_worst_first_too() -> None:
    some = [
        farms.Standing("north", name, "pole-silent", severity, "none", "text", float(at_s))
        for at_s, (name, severity) in enumerate([("a", "minor"), ("b", "critical"), ("c", "critical")])
    ]
    found = farms.compose([("north", NOW_S, False)], some, {}, (), NOW_S, "1")
    assert [one.resource for one in found.standing] == ["b", "c", "a"]
