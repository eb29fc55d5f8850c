"""The review of past months of the demo: it names what the simulation knows to be wrong, and tells a quiet month."""

import asyncio
import csv
import html
import io
import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.cli.main import BAD_INPUT, NO_DAEMON, OK, main
from monitor.cli.review import words
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.filling import fill_past
from monitor.daemon.folding import Folding
from monitor.daemon.keeper import Keeper
from monitor.daemon.months import span_of
from monitor.daemon.reviewing import Reviewing
from monitor.facts.words import Tongue
from monitor.history.store import Store
from monitor.show.charts import specification
from monitor.show.month import Month
from monitor.show.review_page import paper, sharpened, year_paper
from monitor.show.review_pdf import pdf, year_pdf
from monitor.show.year import Year, as_csv
from monitor.simulation.past import tarrow_downs
from tests.budgets.test_golden_text import held

pytestmark = pytest.mark.whole
NOW_S = datetime(2026, 11, 20, 12, tzinfo=ZoneInfo("Australia/Sydney")).timestamp()


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Design]]:
    """Fourteen months of Tarrow Downs, folded."""
    folder = tmp_path_factory.mktemp("past")
    plan, sheets = load_plan(shipped() / "tarrow-downs.yaml")
    fill_past(folder, plan, sheets, 1, NOW_S, tarrow_downs(plan, NOW_S))
    design = Design.of(plan, sheets)

    async def fold() -> None:
        clock = HandClock(NOW_S)
        keeper = Keeper(folder / "data" / "history.sqlite", clock)
        await keeper.open()
        await Folding(design, keeper, clock).run()
        await keeper.close()

    asyncio.run(fold())
    (folder / "plan.yaml").write_text((shipped() / "tarrow-downs.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    yield folder, design
    shutil.rmtree(folder)


def review(past: tuple[Path, Design], month: str) -> Month:
    folder, design = past
    with Store(folder / "data" / "history.sqlite", read_only=True) as store:
        return Reviewing(store, design, month, NOW_S).month()


def test_the_months_behind_the_demo_carry_what_its_story_tells(past: tuple[Path, Design]) -> None:
    """The daemon's own rounds and judgement have raised, settled and told it, on the days of the story."""
    folder, design = past
    story = tarrow_downs(design.plan, NOW_S)
    with Store(folder / "data" / "history.sqlite", read_only=True) as store:
        changes = store.changes(0.0, 100_000)
        keys = {(c.key.resource, c.key.type) for c in changes}
        outbox = {f"{resource} {kind}": store.posted(resource, kind, 0.0) for resource, kind in keys}
    raised = {(c.key.resource, c.key.type): c.at_s for c in reversed(changes) if c.what == "raised"}
    began = {fault.name: fault.start_s for fault in story.faults}
    for key, fault in (
        (("office/optic/10", "light-fell"), "dirty-connector"),
        (("woolshed", "ports-struck"), "lightning"),
        (("yards/load/yards-ramp-camera", "load-silent"), "camera-hung"),
        (("supply/office-a", "supply-lost"), "supply-lost"),
    ):
        assert 0 <= raised[key] - began[fault] < 600, key
    cleared = {(c.key.resource, c.key.type) for c in changes if c.what == "cleared"}
    drifting = {key for key in raised if key[1] == "margin-drifting"}
    assert {("creek/optic/5", "margin-drifting"), ("yards/feeder", "margin-drifting")} <= drifting
    assert all(began["connector-creep"] < raised[key] < NOW_S for key in drifting if key[0] == "creek/optic/5")
    assert set(raised) - cleared <= drifting, "only what still drifts stands"
    for subject in ("supply/office-a supply-lost", "woolshed ports-struck", "yards/load/yards-ramp-camera load-silent"):
        assert [(one.person, one.kind, one.state) for one in outbox[subject]] == [
            ("owner", "callout", "sent"),
            ("owner", "all clear", "sent"),
        ], subject
    assert not any(one.state == "waiting" for some in outbox.values() for one in some), "nobody is called now for it"


def test_what_a_month_missed_is_charged_to_its_alarms(past: tuple[Path, Design]) -> None:
    """The supply of the office was lost for 0.08 days in October; in no other month was anything missed for long."""
    for pole in review(past, "2026-10").available:
        assert pole.power_minutes == pytest.approx(0.08 * 1440, abs=4), pole
        assert pole.path_minutes + pole.unknown_minutes + pole.not_explained_minutes == 0, pole
    for month in ("2026-01", "2026-08"):
        for pole in review(past, month).available:
            assert pole.percent is not None
            lost = pole.power_minutes + pole.path_minutes + pole.unknown_minutes + pole.not_explained_minutes
            from_s, to_s = span_of(month, past[1].zone)
            assert lost == pytest.approx((100 - pole.percent) / 100 * (to_s - from_s) / 60, abs=0.5)


def test_now_lies_within_each_month(past: tuple[Path, Design]) -> None:
    for month in ("2025-11", "2026-03", "2026-08", "2026-10", "2026-11"):
        for row in review(past, month).series:
            if row.now is not None and row.highest is not None:
                assert row.now <= row.highest, (month, row.name)
                assert row.lowest is None or row.lowest <= row.now, (month, row.name)


def test_october_names_the_battery_the_connector_and_the_joint(past: tuple[Path, Design]) -> None:
    found = review(past, "2026-10")
    assert {visit.pole for visit in found.visits} == {"creek", "yards", "ridge"}
    by = {visit.pole: visit for visit in found.visits}
    assert by["creek"].fault == "dirty-connector"
    assert "both directions alike: a connector" in by["creek"].why[0]
    assert by["yards"].fault == "corroded-joint"
    assert by["ridge"].fault == "battery-aged"
    assert all(visit.cautions and visit.bring for visit in found.visits)
    # What the simulation knows: the connector reaches 0.45 · 9 dB in 300 days, of a margin of some 12 dB.
    light = next(row for row in found.series if row.name == "creek/optic/5:rx_dbm")
    assert light.used_percent == pytest.approx(100 * 0.45 * 9 * (210 - 20) / 300 / 12.3, abs=6)
    assert "months (" in light.left
    assert light.chart is not None
    assert all(one.percent is not None and one.percent > 99 for one in found.available)


@pytest.mark.parametrize("month", ["2026-09", "2026-10", "2026-11"])
def test_its_intervals_contain_what_the_simulation_knows(past: tuple[Path, Design], month: str) -> None:
    """Where wear goes on evenly, as the simulation's does, its end follows from its rate alone: no judgement in it."""
    folder, design = past
    story = {fault.name: fault for fault in tarrow_downs(design.plan, NOW_S).faults}
    dirt, joint = story["connector-creep"], story["joint-creep"]
    per_second = {
        "creek/optic/5": (-9.0 * dirt.severity / (dirt.ramp_s or 1), dirt.start_s),
        "office/optic/9": (-9.0 * dirt.severity / (dirt.ramp_s or 1), dirt.start_s),
        "yards/feeder": (3.0 * joint.severity / (joint.ramp_s or 1), joint.start_s),
    }
    with Store(folder / "data" / "history.sqlite", read_only=True) as store:
        reviewing = Reviewing(store, design, month, NOW_S)
        _, end_s = span_of(month, ZoneInfo(design.plan.site.timezone))
        verdicts = dict(reviewing._verdicts())
    for slot, verdict in verdicts.items():
        if slot.resource in per_second and verdict.drift is not None:
            rate, began_s = per_second[slot.resource]
            assert verdict.judged is not None
            assert verdict.limit_in_unit is not None
            assert verdict.forecast is not None, slot
            now = verdict.judged.baseline.value + rate * (min(end_s, NOW_S) - began_s)
            truth = (verdict.limit_in_unit - now) / rate / (30.4375 * 86_400)
            assert verdict.forecast.p10_months <= truth <= verdict.forecast.p90_months, (slot, truth, verdict.forecast)


def test_a_month_of_the_first_winter_is_quiet_and_says_so(past: tuple[Path, Design]) -> None:
    found = review(past, "2026-03")
    assert [visit.pole for visit in found.visits if visit.pole != "ridge"] == []
    if not found.visits:
        assert found.headline.startswith("A quiet month")


def test_every_sentence_and_figure_of_october(past: tuple[Path, Design]) -> None:
    """Held as a text: after a change that is meant, FARPOLE_WRITE_GOLDEN=1, and read the difference."""
    found = review(past, "2026-10")
    page = re.sub(r"<style>.*?</style>|<svg.*?</svg>", "", paper(found), flags=re.DOTALL)
    text = html.unescape(re.sub(r"<[^>]+>", "\n", page))
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    held("review-tarrow-downs-2026-10.txt", "\n".join([words(found), "", "-- the page", *lines]) + "\n")


def test_every_number_has_its_unit_and_every_limit_its_source(past: tuple[Path, Design]) -> None:
    found = review(past, "2026-10")
    for row in found.series:
        assert row.unit
        assert row.limit_source
        assert row.left
    for figure in found.figures:
        assert figure.unit
        assert figure.source
    json.dumps(found.json(), allow_nan=False)


def test_the_page_and_the_pdf_tell_the_same(past: tuple[Path, Design], tmp_path: Path) -> None:
    found = review(past, "2026-10")
    page, made = paper(found), pdf(found)
    assert made.startswith(b"%PDF-")
    assert b"/StructTreeRoot" in made or b"/MarkInfo" in made, "it is tagged"
    for part in (found.headline.split(",")[0], "Next month"):
        assert part.split("'")[0] in page
    if shutil.which("pdftotext"):
        file = tmp_path / "review.pdf"
        file.write_bytes(made)
        text = subprocess.run(["pdftotext", str(file), "-"], capture_output=True, text=True, check=True).stdout
        assert found.headline.split(":")[0] in text


def test_nothing_of_a_plan_can_leave_its_string_in_the_typesetter(past: tuple[Path, Design]) -> None:
    found = review(past, "2026-10")
    bad = '"] #panic("out") [\\ #let x = 1 $x$ *'
    hostile = replace(found, site=bad, visits=tuple(replace(v, place=bad, why=(bad,)) for v in found.visits))
    assert pdf(hostile).startswith(b"%PDF-")
    assert "<script>" not in paper(replace(found, site="<script>alert(1)</script>"))


def test_the_command(past: tuple[Path, Design], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, _ = past
    given = ["review", "--plan", str(folder / "plan.yaml"), "--data", str(folder / "data")]
    assert main([*given, "--month", "2026-10"]) == OK
    first = review(past, "2026-10").visits[0].pole
    assert f"Visit {first} first" in capsys.readouterr().out
    assert main([*given, "--month", "2026-10", "--json"]) == OK
    assert json.loads(capsys.readouterr().out)["visits"][0]["pole"] == first
    assert main([*given, "--month", "2026-10", "--out", str(tmp_path / "october.html")]) == OK
    assert (tmp_path / "october.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    assert main([*given, "--month", "2026-10", "--out", str(tmp_path / "october.txt")]) == BAD_INPUT
    assert main([*given, "--month", "october"]) == BAD_INPUT
    assert "write 2026-10" in capsys.readouterr().err
    assert main(["review", "--plan", str(folder / "plan.yaml"), "--data", str(tmp_path)]) == NO_DAEMON


def test_a_month_that_is_not_folded_yet_is_not_called_quiet(past: tuple[Path, Design]) -> None:
    later = review(past, "2026-11")
    assert later.lacking == "" or "still being folded" in later.lacking
    folder, design = past
    with Store(folder / "data" / "history.sqlite", read_only=True) as store:
        ahead = Reviewing(store, design, "2026-12", NOW_S + 60 * 86_400).month()
    assert "judged only until" in ahead.lacking
    assert "quiet" not in ahead.headline


def test_a_year_says_what_its_months_say(past: tuple[Path, Design], tmp_path: Path) -> None:
    months = tuple(review(past, f"2026-{i:02d}") for i in (8, 9, 10))
    year = Year("2026", months)
    light = next(one for one in year.series if one.last.name == "creek/optic/5:rx_dbm")
    assert light.months == tuple(
        next(row.now for row in month.series if row.name == "creek/optic/5:rx_dbm") for month in months
    )
    assert light.months[0] is not None
    assert light.months[2] is not None
    assert light.months[2] < light.months[0], "the connector gets dirtier"
    [creek] = [one for one in year.available if one.pole == "creek"]
    assert creek.months == tuple(one.percent for month in months for one in month.available if one.pole == "creek")
    page = year_paper(year)
    for word in ("August 2026", "creek/optic/5:rx_dbm", "battery", "Local codes"):
        assert word in page
    assert year_pdf(year).startswith(b"%PDF-")
    json.dumps(year.json(), allow_nan=False)


def test_every_figure_stands_in_the_csv_and_what_was_not_measured_is_empty(past: tuple[Path, Design]) -> None:
    month = review(past, "2026-10")
    rows = list(csv.DictReader(io.StringIO(as_csv([month]))))
    assert {row["month"] for row in rows} == {"2026-10"}
    by = {(row["what"], row["figure"]): row for row in rows}
    series = next(row for row in month.series if row.name == "creek/optic/5:rx_dbm")
    told = by[series.name, "now"]
    assert float(told["value"]) == pytest.approx(series.now)
    assert (told["unit"], told["source of the limit"]) == (series.unit, series.limit_source)
    holes = as_csv([replace(month, series=(replace(series, now=None),), figures=(), available=())])
    assert f"2026-10,creek,{series.name},now,,dBm" in holes


def test_charts_take_the_place_of_plain_drawings(past: tuple[Path, Design]) -> None:
    """One definition for page and paper; drawn in a process of its own, which has ended by now."""
    found = review(past, "2026-10")
    drawn = [row for row in found.series if row.chart is not None]
    assert drawn
    sharp = sharpened(found)
    assert all('class="marks"' in row.drawing for row in sharp.series if row.chart is not None)
    chart = drawn[0].chart
    assert chart is not None
    assert chart.fan_months is not None
    spec = json.dumps(specification(chart, ZoneInfo(found.timezone)))
    assert "baseline" in spec
    assert pdf(sharp).startswith(b"%PDF-")


def test_the_review_in_another_language(past: tuple[Path, Design], tmp_path: Path) -> None:
    from tests.whole.test_tongues import capitals, small_words

    _, design = past
    capital = Tongue("de", capitals, ",", lambda moment: str(moment.local.date()))
    page = re.sub(r"<style>.*?</style>|<svg.*?</svg>", "", paper(review(past, "2026-10"), capital), flags=re.DOTALL)
    text = html.unescape(re.sub(r"<[^>]+>", " ", page))
    notes = {"owner", *re.findall(r"\w+", "IEEE clause from memory Telcordia CORE IEC cleaned both ends of the fibre")}
    left = small_words(re.sub(r"\S+/\S+", "", text), design.plan) - notes
    assert left == set()
