"""fits, init and the printable page as a person uses them."""

import io
import json
from pathlib import Path

import pytest

from monitor.cli.fits import measured_from
from monitor.cli.init import QUESTIONS
from monitor.cli.main import BAD_INPUT, FAILED, OK, main
from monitor.daemon.files import load_plan, shipped

TARROW = str(shipped() / "tarrow-downs.yaml")


def test_fits_says_yes_and_no_with_its_status(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fits", "camera", "--at", "yards", "--plan", TARROW]) == OK
    assert "it fits" in capsys.readouterr().out
    assert main(["fits", "access-point", "--at", "woolshed", "--plan", TARROW, "--json"]) == FAILED
    document = json.loads(capsys.readouterr().out)
    assert document["fits"] is False
    assert all(answer["why"] for answer in document["answers"])


@pytest.mark.parametrize("words", [["nonsense", "--at", "yards"], ["camera", "--at", "nowhere"]])
def test_an_unknown_load_or_pole_is_named_with_those_there_are(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fits", *words, "--plan", TARROW]) == BAD_INPUT
    assert "there are" in capsys.readouterr().err


def test_fits_without_plan_and_daemon(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fits", "camera", "--at", "yards", "--data", str(tmp_path)]) == BAD_INPUT
    assert "--plan" in capsys.readouterr().err


def test_loop_resistance_from_a_picture() -> None:
    def margin(resource: str, quantity: str, value: float | None) -> dict[str, object]:
        return {"resource": resource, "quantity": quantity, "value": value, "margin": 3.0}

    picture = {
        "headend": {"name": "office", "margins": []},
        "poles": [
            {
                "name": "yards",
                "margins": [
                    margin("yards/switch", "input_volts", 52.0),
                    margin("yards/feeder", "feeder_amperes", 0.5),
                    margin("yards/optic/5", "rx_dbm", -7.0),
                ],
            }
        ],
        "supplies": [margin("supply/office-a", "supply_volts", 54.0)],
    }
    found = measured_from(picture, "yards")
    assert found.ohms_at_20c == {"yards": 4.0}  # Ohm: (54 − 52) V / 0.5 A
    assert found.light_margin_db == 3.0
    picture["poles"][0]["margins"][1]["value"] = None  # type: ignore[index]  # a plain document
    assert measured_from(picture, "yards").ohms_at_20c == {}


def answer(monkeypatch: pytest.MonkeyPatch, **given: str) -> None:
    lines = "".join(given.get(key, "") + "\n" for key, _, _ in QUESTIONS)
    monkeypatch.setattr("sys.stdin", io.StringIO(lines))


def test_init_writes_a_plan_that_is_right_and_has_a_budget(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answer(monkeypatch, site="Hill Farm", length="2100ft", conductor="8AWG", coldest="14F", cameras="3")
    assert main(["init", str(tmp_path / "plan.yaml")]) == OK
    plan, _ = load_plan(tmp_path / "plan.yaml")
    assert plan.site.name == "Hill Farm"
    assert plan.site.coldest_c == pytest.approx(-10)
    assert plan.poles[0].fibre is not None
    assert plan.poles[0].fibre.length_m == pytest.approx(640.08)
    assert [load.address for load in plan.poles[0].loads] == ["10.20.1.11", "10.20.1.12", "10.20.1.13"]
    assert main(["budget", str(tmp_path / "plan.yaml")]) == OK


def test_init_never_overwrites_and_writes_nothing_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    there = tmp_path / "plan.yaml"
    there.write_text("mine", encoding="utf-8")
    assert main(["init", str(there)]) == FAILED
    assert there.read_text() == "mine"
    for wrong in ({"latitude": "north"}, {"cameras": "many"}, {"timezone": "Nowhere/Land"}):
        answer(monkeypatch, **wrong)
        assert main(["init", str(tmp_path / "new.yaml")]) == BAD_INPUT
        assert "nothing was written" in capsys.readouterr().err
        assert not (tmp_path / "new.yaml").exists()
    monkeypatch.setattr("sys.stdin", io.StringIO("only one line\n"))
    assert main(["init", str(tmp_path / "new.yaml")]) == BAD_INPUT


def test_a_printable_page(tmp_path: Path) -> None:
    assert main(["budget", TARROW, "--html", str(tmp_path / "b.html")]) == OK
    page = (tmp_path / "b.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 4
    assert "<script" not in page
    assert "http" not in page
    for words in (
        "creek",
        "span loss",
        "largest extra load",
        "battery hours",
        "lowest charge",
        "never look into a fibre",
    ):
        assert words in page, words


def test_the_shipped_example_carries_every_budget(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["budget", TARROW, "--json"]) == OK
    poles = json.loads(capsys.readouterr().out)["poles"]
    assert all(set(pole) >= {"optical", "feeder", "poe", "bandwidth", "autonomy"} for pole in poles.values())
    assert poles["creek"]["autonomy"] is None
    assert "mains" in poles["creek"]["autonomy_reason"]
    assert poles["ridge"]["autonomy"]["days"] > 3
    case = poles["creek"]["feeder"]["worst"]
    assert {"volts", "amperes", "loss_watts", "margin_volts", "collapse_watts"} <= set(case)
