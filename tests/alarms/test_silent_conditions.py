"""What silences become in the alarm book: who is raised, who is linked, who is cleared, of whom nothing is said."""

from monitor.alarms.book import Condition, Key
from monitor.alarms.cause import Cause, cause_of
from monitor.alarms.conditions import of_silence
from monitor.alarms.settlement import Settlement
from monitor.alarms.silence import Explained, Watch
from monitor.alarms.states import Severity
from monitor.daemon.design import Design

WELL, AWAY = Watch(answered_s=1.0), Watch(misses=3, kinds=2, answered_s=1.0)
NONE = Explained({}, {}, frozenset())


def conditions(
    design: Design,
    away: set[str],
    explained: Explained = NONE,
    watch: Watch = WELL,
    settled: Settlement | None = Settlement.UNTOLD,
) -> dict[str, Condition]:
    def why(place: str) -> Cause:
        return cause_of({"pole_silent": True}, {})

    watches = {place: AWAY if place in away else watch for place in design.places}
    found = list(of_silence(design.topology, watches, explained, why, lambda pole: settled))
    assert len({one.key for one in found}) == len(found), "one condition of a key"
    return {str(one.key): one for one in found}


def test_a_pole_that_answers_is_well_with_the_line_that_settles_it(design: Design) -> None:
    found = conditions(design, set(), settled=Settlement.PATH)
    assert found["creek pole-silent"] == Condition(Key("creek", "pole-silent"), None, settlement=Settlement.PATH)
    assert found["office head-end-silent"].severity is found["supply/office-a supply-lost"].severity is None


def test_nothing_is_said_of_a_pole_never_heard_nor_while_what_settles_it_may_come(design: Design) -> None:
    assert "creek pole-silent" not in conditions(design, set(), watch=Watch())
    assert "creek pole-silent" not in conditions(design, set(), settled=None)


def test_a_root_is_critical_and_what_it_explains_is_linked_to_it(design: Design) -> None:
    explained = Explained({"creek": ("ridge", "woolshed")}, {"woolshed": "creek", "ridge": "creek"}, frozenset())
    found = conditions(design, {"creek", "woolshed", "ridge"}, explained)
    creek, woolshed = found["creek pole-silent"], found["woolshed pole-silent"]
    assert (creek.severity, creek.root, creek.impacted) == (Severity.CRITICAL, "", ("ridge", "woolshed"))
    assert creek.cause is not None
    assert (woolshed.severity, woolshed.root, woolshed.cause) == (Severity.CRITICAL, "creek", None)
    assert found["yards pole-silent"].severity is None


def test_a_pole_about_which_another_decides_waits(design: Design) -> None:
    assert "woolshed pole-silent" not in conditions(design, {"woolshed"}, Explained({}, {}, frozenset({"woolshed"})))


def test_a_supply_is_lost_as_a_root_and_well_while_one_of_its_poles_answers(design: Design) -> None:
    lost = Explained({"supply/office-a": ("creek", "woolshed", "yards")}, {}, frozenset())
    found = conditions(design, {"creek", "woolshed", "yards"}, lost)
    assert found["supply/office-a supply-lost"].severity is Severity.CRITICAL
    assert conditions(design, {"creek", "woolshed"})["supply/office-a supply-lost"].severity is None
    fed = set(design.topology.fed_by("office-a"))
    assert "supply/office-a supply-lost" not in conditions(design, fed), "nothing is known of it"
