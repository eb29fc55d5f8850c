"""The centre's tables by themselves: what is not right, what is there already, partitions."""

import pytest
from alembic import command

from monitor.history.central import Central, RoundsOf
from tests.history.cluster import Cluster

SITE = "tarrow-downs"
T0 = 1_790_000_000.0
DAY_S = 86_400


def test_one_that_is_not_right_takes_no_other_with_it(cluster: Cluster) -> None:
    central = Central(cluster.new_database())
    for name in ("a", "b", "c"):
        central.add(name, "UKEY", 0.0)
        assert central.keep(name, {"number": 1, "kind": "begin", "history": name}, (), 1.0) == ""
    row = ((int(T0) << 16 | 1, b"x"),)
    kept = central.keep_rounds([RoundsOf(name, 2, row, 2**70 if name == "b" else 7, None, 1.0) for name in "abc"])
    assert [kept[0], kept[2]] == ["", ""]
    assert kept[1].startswith("it is not as it should be")
    assert [central.known(name)[1] for name in "abc"] == [2, 1, 2]
    assert central.keep("a", {"number": 3, "kind": "days", "day": "no day"}, (), 1.0).startswith(
        "it is not as it should"
    )
    assert central.keep("a", {"number": 3, "kind": "anything"}, (), 1.0).startswith("it is not as it should")
    central.close()


def test_rows_that_are_there_already_are_kept_once(cluster: Cluster) -> None:
    """As after a line that was cut between the rows and the answer, together with a farm whose rows are all new."""
    central = Central(cluster.new_database())
    for name in ("a", "b"):
        central.add(name, "UKEY", 0.0)
        assert central.keep(name, {"number": 1, "kind": "begin", "history": name}, (), 1.0) == ""
    rows = [(int(T0) + i << 16 | 1, bytes([i])) for i in range(5)]
    assert central.keep_rounds([RoundsOf("a", 2, rows[:3], None, None, 1.0)]) == [""]
    together = [RoundsOf("a", 3, rows, rows[-1][0], None, 2.0), RoundsOf("b", 2, rows, rows[-1][0], 60.0, 2.0)]
    assert central.keep_rounds(together) == ["", ""]
    assert central.keep_rounds([RoundsOf("a", 4, (), None, 30.0, 3.0)]) == [""], "a parcel without rows"
    with central._engine.begin() as connection:
        found = connection.exec_driver_sql("SELECT source, id, blob FROM centre.round_row ORDER BY 1, 2").all()
    sources = {one.name: one.source for one in central.sites()}
    assert [tuple(row) for row in found] == [(sources[name], *row) for name in "ab" for row in rows]
    assert [central.known(name)[2]["rounds"] for name in "ab"] == [rows[-1][0]] * 2
    assert [(one.heard_s, one.alive_s) for one in central.sites()] == [(3.0, 30.0), (2.0, 60.0)]
    central.close()


def test_partitions_of_odd_days_and_of_days_that_are_over(cluster: Cluster) -> None:
    """A clock gone wrong, a partition dropped while a site was away: rows go where they are found."""
    central = Central(cluster.new_database())
    central.add(SITE, "UKEY", 0.0)
    assert central.keep(SITE, {"number": 1, "kind": "begin", "history": "h"}, (), 1.0) == ""
    times = [0.0, T0, 4_000_000_000.0, T0 + 40 * DAY_S]
    for i, at_s in enumerate(times, 2):
        one = RoundsOf(SITE, i, ((int(at_s) << 16 | 1, b"x"),), None, None, 1.0)
        assert central.keep_rounds([one, one]) == ["", "it has been taken already, or it is older than one that has"]
    assert central.tidy(T0 + 400 * DAY_S) == 0, "none of them is empty"
    with central._engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM centre.round_row")
    assert central.tidy(T0 + 400 * DAY_S) == 2
    other = Central(central.url)  # knows the partitions that there are no more
    other._partitions._there = set(central._partitions._there)
    late = RoundsOf(SITE, 9, ((int(T0) << 16 | 1, b"y"),), None, None, 1.0)
    assert other.keep_rounds([late]) == [""]
    again = RoundsOf(SITE, 10, ((int(T0) << 16 | 2, b"z"),), None, None, 1.0)
    third = Central(central.url)
    assert third.keep_rounds([again]) == [""]
    with central._engine.begin() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM centre.round_row").scalar() == 2
        assert connection.exec_driver_sql("SELECT count(*) FROM centre.round_row_other").scalar() == 0
    for one_of in (central, other, third):
        one_of.close()


HIDES = "yards is silent; not seen behind it: ridge. Most likely the fibre is cut (82 %)."
PATH = "it was the path: the switch ran on all the time"


def old_change(number: int, text: str, note: str) -> dict[str, object]:
    """A change of an alarm with its alarm, as a site before schema 0007 sends it."""
    both = {"text": text, "severity": "major", "raised_s": T0, "said": ""}
    now = {"id": number, "resource": f"yards/port/{number}", "type": "port-cut", "qualifier": "", "cleared": bool(note)}
    now |= {"operator": "none", "root": "", "impacted": "[]", "cause": "", "settled": note, "changed_s": T0}
    change = {"id": number, "alarm": number, "at_s": T0, "what": "cleared" if note else "raised", "who": ""}
    return {**both, **change, "note": note, "now": {**both, **now, "times_raised": 1}}


def facts(url: str) -> list[tuple[object, ...]]:
    """What the centre knows of alarms and of their changes."""
    central = Central(url)
    with central._engine.begin() as connection:
        alarms = connection.exec_driver_sql("SELECT settlement, signs FROM centre.alarm ORDER BY id").all()
        changes = connection.exec_driver_sql("SELECT settlement, impacted FROM centre.alarm_change ORDER BY id").all()
    central.close()
    return [(*alarm, *change) for alarm, change in zip(alarms, changes, strict=True)]


OLD = (old_change(1, "gate: shorts are counted", ""), old_change(2, HIDES, PATH))
KNOWN = [("", '["shorts"]', "", "[]"), ("path", "[]", "path", '["ridge"]')]


def test_sentences_of_a_site_that_is_still_of_an_older_schema_become_facts(cluster: Cluster) -> None:
    central = Central(cluster.new_database())
    central.add(SITE, "UKEY", 0.0)
    assert central.keep(SITE, {"number": 1, "kind": "begin", "history": "h"}, (), 1.0) == ""
    assert central.keep(SITE, {"number": 2, "kind": "changes", "records": list(OLD), "up_to": 2}, (), 1.0) == ""
    central.close()
    assert facts(central.url) == KNOWN


def test_a_centre_of_the_schema_before_keeps_what_it_has_with_its_facts(
    cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tables of schema 0001 are made by its own migration, and filled as the farpole of then filled them."""
    url = cluster.new_database()
    with monkeypatch.context() as before:
        newest = command.upgrade
        before.setattr(command, "upgrade", lambda config, _: newest(config, "0001"))
        central = Central(url)
        central.add(SITE, "UKEY", 0.0)
        with central._engine.begin() as connection:
            for one in OLD:
                now = one["now"]
                assert isinstance(now, dict)
                for table, row in (("alarm", now), ("alarm_change", {k: v for k, v in one.items() if k != "now"})):
                    row = {"source": 1, **row}
                    marks = ", ".join(f"%({name})s" for name in row)
                    connection.exec_driver_sql(f"INSERT INTO centre.{table} ({', '.join(row)}) VALUES ({marks})", row)
        central.close()
    assert facts(url) == KNOWN
