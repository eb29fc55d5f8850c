"""The centre's tables by themselves: what is not right, what is there already, partitions."""

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
