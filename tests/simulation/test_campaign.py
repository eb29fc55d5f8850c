"""Campaigns: the same for the same seed, another for another, each with its truth beside it."""

import csv
import json
from pathlib import Path

import pytest
from pyarrow import parquet

from monitor.daemon.campaign import write
from monitor.history import files
from monitor.plan.parts import Plan
from monitor.simulation.campaign import cases, places_for, widened
from monitor.simulation.columns import Columns, moments
from monitor.simulation.faults import FAULTS
from monitor.simulation.world import World


def quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.simulation.campaign.SUDDEN_DAYS", 3)
    monkeypatch.setattr("monitor.simulation.campaign.SLOW_DAYS", 5)
    monkeypatch.setattr("monitor.simulation.campaign.moments", lambda a, b, marks: moments(a, b, marks, 3600, 3600))


def test_the_same_seed_is_the_same_campaign(tarrow: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    quickly(monkeypatch)
    for folder, seed in (("a", 1), ("b", 1), ("c", 2)):
        write(tarrow, 3, seed, tmp_path / folder, lambda line: None)
    a, b, c = (
        {f.relative_to(tmp_path / n): f.read_bytes() for f in sorted((tmp_path / n).rglob("*")) if f.is_file()}
        for n in ("a", "b", "c")
    )
    assert a == b
    assert a != c
    with pytest.raises(ValueError, match="is not empty"):
        write(tarrow, 1, 1, tmp_path / "a", lambda line: None)


def test_readings_and_truth_fit(tarrow: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    quickly(monkeypatch)
    write(tarrow, 2, 7, tmp_path / "c", lambda line: None)
    whole = json.loads((tmp_path / "c" / "campaign.json").read_text())
    assert (whole["number"], whole["seed"], len(whole["cases"])) == (2, 7, 2)
    for truth in whole["cases"]:
        table = parquet.read_table(tmp_path / "c" / truth["folder"] / truth["readings"])
        times = table.column("time").to_pylist()
        assert times == sorted(times)
        assert times[0].isoformat().startswith(truth["from"][:19])
        for fault in truth["faults"]:
            assert truth["from"] < fault["onset"] < truth["to"]
            assert FAULTS[fault["fault"]].number == fault["number"]
        assert "creek/optic/5:rx_dbm" in table.column_names


def test_as_csv_where_parquet_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    file = files.write_wide([0.0, 60.0], {"a:rx_dbm": [1.5, float("nan")]}, tmp_path / "readings")
    rows = list(csv.reader(file.open()))
    assert (file.name, rows) == (
        "readings.csv",
        [["time", "a:rx_dbm"], ["1970-01-01T00:00:00Z", "1.5"], ["1970-01-01T00:01:00Z", ""]],
    )


def test_every_fault_comes_about_as_often_as_any_other_and_where_it_can(tarrow: Plan) -> None:
    drawn = [fault for case in cases(tarrow, 400, 3) for fault in case.faults]
    counted = {name: sum(fault.name == name for fault in drawn) for name in {fault.name for fault in drawn}}
    assert len(counted) > 35
    assert max(counted.values()) < 4 * min(counted.values()) + 4
    assert all(fault.pole in places_for(fault.name, tarrow) for fault in drawn)
    numbers = [len(case.faults) for case in cases(tarrow, 400, 3)]
    assert numbers.count(0) > 20
    assert numbers.count(2) > 50


def test_a_site_of_fifty_poles(tarrow: Plan) -> None:
    plan = widened(tarrow, 50)
    assert len(plan.poles) == 50
    world = World(plan, 1, 1_780_000_000.0)
    world.step(1_780_000_060.0)
    answering = sum(one.states[0] == 0 for one in Columns(world).rounds())
    assert answering >= 52
