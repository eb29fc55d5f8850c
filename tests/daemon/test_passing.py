"""What one process has seen comes to the other as it was: no value for what was not seen, and why it is garbled."""

import math

from monitor.alarms.silence import Sight
from monitor.daemon import passing
from monitor.facts.readings import Layout, Round, Slot, State

LAYOUT = Layout("creek/switch", "reach", (Slot("creek/switch", "uptime_seconds"), Slot("creek/optic/5", "rx_dbm")))


def a_round() -> Round:
    readings = Round.blank(LAYOUT, 1_790_000_000.5, State.SILENT)
    readings.put(0, 77.0)
    readings.garble(1, "999 dBm is outside")
    return readings


def same(one: Round, other: Round) -> bool:
    values = all(a == b or (math.isnan(a) and math.isnan(b)) for a, b in zip(one.values, other.values, strict=True))
    return values and (one.layout, one.at_s, one.states, one.why) == (other.layout, other.at_s, other.states, other.why)


def test_a_look() -> None:
    sight = Sight("creek", 1_790_000_000.5, State.GARBLED, True, None, {"gate": State.SILENT}, False)
    got, [readings], services = passing.opened(passing.of_look(sight, [a_round()], {"gate": True}))["look"]
    assert (got, services) == (sight, {"gate": True})
    assert got.answers
    assert same(readings, a_round())


def test_a_tier_and_its_layout_is_the_same_object_again() -> None:
    bodies = [passing.of_tier("creek/switch", "measure", a_round(), refused) for refused in (True, False)]
    told = [passing.opened(body)["tier"] for body in bodies]
    assert [(name, tier, refused) for name, tier, _, refused in told] == [
        ("creek/switch", "measure", True),
        ("creek/switch", "measure", False),
    ]
    assert told[0][2].layout is told[1][2].layout
