"""The review of a month tells of that month alone, and its figures add up."""

import asyncio
import json
from array import array
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.book import Alarm, Change, Key
from monitor.alarms.states import Severity
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.folding import Folding
from monitor.daemon.keeper import Keeper
from monitor.daemon.reviewing import Reviewing
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.history.records import Repair
from monitor.history.store import Store
from monitor.show.month import Month
from monitor.show.review_page import paper
from monitor.show.review_pdf import source as pdf_source
from monitor.show.year import Year, as_csv

ZONE = ZoneInfo("Australia/Sydney")
DAY_S, HOUR_S = 86_400.0, 3600.0
PLAN, SHEETS = load_plan(shipped() / "tarrow-downs.yaml")
DESIGN = Design.of(PLAN, SHEETS)
LIGHT = Layout("creek/switch", "measure", (Slot("creek/optic/5", "rx_dbm"), Slot("creek/optic/5", "optic_c")))
THERE = {pole.name: Layout(resources.switch(pole.name), "reach", (Slot(resources.switch(pole.name), "uptime_seconds"),))
         for pole in PLAN.poles}  # fmt: skip
METER = Layout("meter/10.20.0.7", "measure", (Slot("supply/office-a", "supply_volts"),))


def local(year: int, month: int, day: int, hour: int = 0) -> float:
    return datetime(year, month, day, hour, tzinfo=ZONE).timestamp()


def hours(from_s: float, to_s: float, step_s: float = HOUR_S) -> list[float]:
    return [from_s + i * step_s for i in range(round((to_s - from_s) / step_s))]


def light(from_s: float, to_s: float, dbm: Callable[[float], float]) -> list[Round]:
    """Hourly light and temperature of one optic; the noise is of a table, not drawn."""
    return [
        Round(LIGHT, at_s, array("d", [dbm(at_s) + 0.01 * ((i * 7) % 5 - 2), 20.0 + i % 24 / 3]), bytearray(2))
        for i, at_s in enumerate(hours(from_s, to_s))
    ]


def there(
    pole: str, from_s: float, to_s: float, silent: Callable[[float], bool] = lambda at_s: False, step_s: float = HOUR_S
) -> list[Round]:
    """Rounds in which a pole answers, or not."""
    found = []
    for at_s in hours(from_s, to_s, step_s):
        made = Round.blank(THERE[pole], at_s, State.SILENT)
        if not silent(at_s):
            made.put(0, at_s - from_s + 1)
        found.append(made)
    return found


def keep(folder: Path, rounds: list[Round], now_s: float) -> None:
    """Into the history, and folded."""
    (folder / "data").mkdir(exist_ok=True)

    async def act() -> None:
        clock = HandClock(now_s)
        keeper = Keeper(folder / "data" / "history.sqlite", clock)
        await keeper.open()
        await keeper.ask(lambda store: store.keep(rounds))
        await Folding(DESIGN, keeper, clock).run()
        await keeper.close()

    asyncio.run(act())


def alarmed(folder: Path, key: Key, raised_s: float, cleared_s: float | None, impacted: tuple[str, ...] = ()) -> None:
    """An alarm from one time to another."""
    text = ", ".join([key.resource, *impacted])
    alarm = Alarm(key, Severity.CRITICAL, False, text, raised_s, raised_s, impacted=impacted)
    changes = [Change(alarm, raised_s, "raised")]
    if cleared_s is not None:
        over = Alarm(key, Severity.CRITICAL, True, text, raised_s, cleared_s, impacted=impacted)
        changes.append(Change(over, cleared_s, "cleared"))
    with Store(folder / "data" / "history.sqlite") as store:
        store.record(changes)


def review(folder: Path, month: str, now_s: float) -> Month:
    with Store(folder / "data" / "history.sqlite", read_only=True) as store:
        return Reviewing(store, DESIGN, month, now_s).month()


def creeping(at_s: float) -> float:
    """Light that falls by half a dB a month from March 2026 on."""
    return -7.0 - 0.5 * max(0.0, at_s - local(2026, 3, 1)) / (30 * DAY_S)


def test_a_review_made_a_year_later_is_byte_for_byte_the_same(tmp_path: Path) -> None:
    """Whatever has been measured, raised, repaired since."""
    begin_s, end_s = local(2025, 12, 1), local(2026, 6, 3)
    keep(tmp_path, light(begin_s, end_s, creeping) + there("creek", begin_s, end_s), end_s)
    alarmed(tmp_path, Key("creek", "pole-silent"), local(2026, 5, 20), local(2026, 5, 20, 2))
    alarmed(tmp_path, Key("yards", "pole-silent"), local(2026, 5, 28), None)
    first = review(tmp_path, "2026-05", end_s)
    later_s = local(2027, 6, 3)
    keep(tmp_path, light(end_s, later_s, lambda at_s: -19.0) + there("creek", end_s, later_s), later_s)
    alarmed(tmp_path, Key("creek", "pole-silent"), local(2026, 7, 1), local(2026, 7, 2))
    with Store(tmp_path / "data" / "history.sqlite") as store:
        store.repaired(Repair(local(2026, 8, 1), "creek", "owner", "cleaned"))
    again = review(tmp_path, "2026-05", later_s)
    assert any(row.chart for row in first.series), "it shows a chart"
    assert json.dumps(again.json()) == json.dumps(first.json())
    assert paper(again) == paper(first)
    assert as_csv([again]) == as_csv([first])
    assert repr(again) == repr(first)


def test_a_flood_of_later_changes_pushes_none_of_the_month_out(tmp_path: Path) -> None:
    begin_s, end_s = local(2026, 5, 1), local(2026, 6, 3)
    keep(tmp_path, there("creek", begin_s, end_s), end_s)
    alarmed(tmp_path, Key("creek", "pole-silent"), local(2026, 5, 20), local(2026, 5, 20, 2))
    with Store(tmp_path / "data" / "history.sqlite") as store:
        key = Key("yards/port/1", "port-restless")
        alarm = Alarm(key, Severity.MINOR, False, "", end_s, end_s)
        store.record([Change(alarm, end_s + i, "raised again") for i in range(600)])
        assert [c.key.resource for c in store.changes(begin_s, 500, until_s=end_s)] == ["creek", "creek"]


def test_what_it_calls_now_lies_between_the_lowest_and_the_highest_of_its_month(tmp_path: Path) -> None:
    begin_s, end_s = local(2025, 12, 1), local(2026, 12, 2)
    keep(tmp_path, light(begin_s, end_s, creeping), end_s)
    for month in ("2026-02", "2026-04", "2026-06", "2026-10", "2026-11", "2026-12"):
        for row in review(tmp_path, month, end_s).series:
            if row.now is not None:
                assert row.lowest is not None, (month, row.name)
                assert row.highest is not None, (month, row.name)
                assert row.lowest <= row.now <= row.highest, (month, row.name)
    year = Year("2026", tuple(review(tmp_path, f"2026-{i:02d}", end_s) for i in range(1, 12)))
    [fell] = [one.months for one in year.series if one.last.name == "creek/optic/5:rx_dbm"]
    lights = [light for light in fell if light is not None]
    assert lights == sorted(lights, reverse=True), "it fell from month to month"
    assert len(set(lights)) > 8, "each month tells its own"


def test_minutes_by_cause_and_those_not_explained_are_what_the_percentage_leaves_out(tmp_path: Path) -> None:
    """Of 30 days: two hours without a supply, half an hour of which no alarm told, three days without the box."""
    begin_s, end_s = local(2026, 6, 1), local(2026, 7, 1)
    lost, quiet, away = local(2026, 6, 10, 3), local(2026, 6, 20, 14), local(2026, 6, 25)

    def silent(at_s: float) -> bool:
        return lost <= at_s < lost + 2 * HOUR_S or quiet <= at_s < quiet + 0.5 * HOUR_S

    rounds = there("creek", begin_s, away, silent, 60.0) + there("creek", away + 3 * DAY_S, end_s, step_s=60.0)
    keep(tmp_path, rounds, end_s + DAY_S)
    alarmed(tmp_path, Key("supply/office-a", "supply-lost"), lost + 45, lost + 2 * HOUR_S + 130, ("creek", "yards"))
    [creek] = [one for one in review(tmp_path, "2026-06", end_s + DAY_S).available if one.pole == "creek"]
    assert creek.percent == pytest.approx(100 * (1 - 150 / (27 * 1440)), abs=1e-4)
    lost_minutes = creek.power_minutes + creek.path_minutes + creek.unknown_minutes
    assert (creek.power_minutes, creek.not_explained_minutes) == (120, 30)
    assert lost_minutes + creek.not_explained_minutes == 150
    assert creek.not_measured_percent == pytest.approx(10, abs=0.01)


def test_a_figure_that_passed_its_limit_is_flagged(tmp_path: Path) -> None:
    """0.00 V at a supply is a supply that was lost, not one that is as designed."""
    begin_s, end_s = local(2026, 6, 1), local(2026, 7, 1)
    volts = [Round(METER, at_s, array("d", [54.0]), bytearray(1)) for at_s in hours(begin_s, end_s)]
    keep(tmp_path, volts, end_s + DAY_S)
    [whole] = review(tmp_path, "2026-06", end_s + DAY_S).figures
    assert (whole.low, whole.past_limit) == (54.0, False)
    keep(tmp_path, [Round(METER, begin_s + 1800, array("d", [0.0]), bytearray(1))], end_s + DAY_S)
    found = review(tmp_path, "2026-06", end_s + DAY_S)
    [lost] = found.figures
    assert (lost.low, lost.past_limit) == (0.0, True)
    assert "past its limit" in paper(found)
    assert "past its limit" in pdf_source(found)
    assert found.json()["figures"][0]["past_limit"] is True


@pytest.mark.parametrize("days", [0.4, 1.5, 20.0])
def test_a_young_history_is_too_young_and_makes_no_work(tmp_path: Path, days: float) -> None:
    end_s = local(2026, 6, 25, 20)
    begin_s = end_s - days * DAY_S
    rounds = there("creek", begin_s, end_s) + light(begin_s, end_s, creeping)
    keep(tmp_path, rounds, end_s)
    found = review(tmp_path, "2026-06", end_s)
    assert "too young" in found.headline
    assert found.too_young.startswith("Too young to be judged")
    assert found.headline.count("Not complete") == 1
    light_of_creek = [line for line in (*found.work, *found.not_measured) if "creek/optic/5 light" in line]
    assert light_of_creek == []
    if days < 2:
        assert found.work == ()
        assert found.not_measured == ()
    else:
        assert any("yards/feeder" in line for line in found.work), "what nobody measures stays work"


def test_a_repair_makes_a_series_young_and_gaps_do_not(tmp_path: Path) -> None:
    begin_s, repaired_s, end_s = local(2026, 1, 1), local(2026, 5, 20), local(2026, 6, 1)
    keep(tmp_path, light(begin_s, end_s, lambda at_s: -7.0), end_s + DAY_S)
    with Store(tmp_path / "data" / "history.sqlite") as store:
        store.repaired(Repair(repaired_s, "creek", "owner", "new patch lead"))
    young = review(tmp_path, "2026-05", end_s + DAY_S)
    assert "Too young to be judged: 1 series" in young.too_young
    assert not any("creek/optic/5 light" in line for line in young.work)
    gaps = tmp_path / "gaps"
    gaps.mkdir()
    some = [one for i in range(12) for one in light(local(2026, 2, 1 + 2 * i), local(2026, 2, 2 + 2 * i), creeping)]
    keep(gaps, light(local(2025, 8, 1), local(2025, 8, 2), creeping) + some, end_s)
    assert any("creek/optic/5 light" in line for line in review(gaps, "2026-02", end_s).work)
