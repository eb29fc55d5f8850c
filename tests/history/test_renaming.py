"""A renamed pole keeps its history, its alarms, its repairs: on SQLite and on PostgreSQL."""

import math
from array import array

from monitor.alarms.book import Alarm, Change, Key
from monitor.alarms.states import Severity
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.records import Repair
from monitor.history.store import Store

T0 = 1_790_000_000.0


def kept(store: Store, place: str, at_s: float, value: float) -> None:
    layout = Layout(f"{place}/switch", "measure", (Slot(f"{place}/optic/5", "rx_dbm"), Slot(place, "input_volts")))
    store.keep([Round(layout, at_s, array("d", [value, 52.0]), bytearray([State.SEEN, State.SEEN]))])


def light(store: Store, place: str) -> list[float]:
    line = store.series(Slot(f"{place}/optic/5", "rx_dbm"), T0 - 60, T0 + 600, 100)
    return [round(float(mean), 2) for mean in line.means if math.isfinite(mean)]


def test_everything_goes_on_under_the_new_name(any_store: Store) -> None:
    kept(any_store, "creek", T0, -9.5)
    kept(any_store, "creekside", T0, -3.5)
    alarm = Alarm(Key("creek", "pole-silent"), Severity.CRITICAL, False, "creek is silent", T0, T0, impacted=("ridge",))
    behind = Alarm(Key("ridge", "pole-silent"), Severity.CRITICAL, False, "", T0, T0, root="creek")
    any_store.record([Change(alarm, T0, "raised"), Change(behind, T0, "linked")])
    any_store.repaired(Repair(T0, "creek", "jo", "cleaned"))
    assert any_store.rename([("creek", "brook"), ("ridge", "hill")]) > 0
    kept(any_store, "brook", T0 + 60, -9.4)
    assert light(any_store, "brook") == [-9.5, -9.4]
    assert light(any_store, "creek") == []
    assert light(any_store, "creekside") == [-3.5], "a name that only begins alike is another"
    by_key = {str(one.key): one for one in any_store.alarms()}
    assert by_key["brook pole-silent"].impacted == ("hill",)
    assert by_key["hill pole-silent"].root == "brook"
    assert [one.resource for one in any_store.repairs()] == ["brook"]
    assert any_store.rename([("creek", "brook")]) == 0, "once is enough"


def test_two_histories_are_not_mixed(any_store: Store) -> None:
    kept(any_store, "creek", T0, -9.5)
    kept(any_store, "brook", T0 + 60, -8.0)
    any_store.rename([("creek", "brook")])
    assert light(any_store, "creek") == [-9.5]
    assert light(any_store, "brook") == [-8.0]
