import re
from pathlib import Path

import pytest

from monitor.plan import parts as parts_of_plan
from monitor.plan.base import Part
from monitor.plan.datasheets import Sheets, read_sheets
from monitor.plan.meaning import read_plan
from monitor.plan.parts import Plan
from monitor.plan.text import NotRight


def problems(text: str, sheets: Sheets) -> list[str]:
    with pytest.raises(NotRight) as caught:
        read_plan(text, sheets, "site.yaml")
    return str(caught.value).splitlines()


def line_with(text: str, words: str) -> int:
    return next(i for i, line in enumerate(text.splitlines(), 1) if words in line)


def test_the_shipped_plan_is_right(tarrow: Plan) -> None:
    assert [pole.name for pole in tarrow.poles] == ["creek", "woolshed", "yards", "ridge"]


CHANGES = [
    (
        "a misspelt field",
        "length_m: 640\n",
        "lenght_m: 640\n",
        "poles[0].fibre.lenght_m is not known; did you mean length_m?",
    ),
    (
        "a number that is none",
        "limit_watts: 240",
        "limit_watts: plenty",
        "supplies[0].limit_watts 'plenty' is not a number",
    ),
    ("a value out of range", "latitude: -36 ", "latitude: -136 ", "site.latitude is -136; it must be at least -90"),
    ("an unknown word", "kind: gateway", "kind: gatway", "did you mean gateway?"),
    ("an unknown zone", "Australia/Sydney", "Australia/Sidney", "did you mean Australia/Sydney?"),
    (
        "a port used twice",
        'port: "2", address: 10.20.1.31',
        'port: "1", address: 10.20.1.31',
        "'1' of creek is used twice",
    ),
    (
        "a port that the switch lacks",
        'port: "3", address: 10.20.1.21',
        'port: "7", address: 10.20.1.21',
        "'7' is no PoE port of creek's switch (1, 2, 3, 4)",
    ),
    (
        "an unknown optic",
        "optic: 1000base-bx10-u}\n      type: OS2\n      length_m: 640",
        "optic: 1000base-bx11-u}\n      type: OS2\n      length_m: 640",
        "'1000base-bx11-u' is no known optic; did you mean",
    ),
    (
        "one colour at both ends",
        "optic: 1000base-bx10-u}\n      type: OS2\n      length_m: 310",
        "optic: 1000base-bx10-d}\n      type: OS2\n      length_m: 310",
        "both ends send at 1490 nm",
    ),
    ("a supply that feeds nothing", "supply: ridge-solar", "supply: office-a", "'ridge-solar' feeds nothing"),
    (
        "a missing converter",
        "    converter: {output_volts",
        "    #converter: {output_volts",
        "a converter is missing between them",
    ),
    ("volts that the switch does not take", "volts: 54.0", "volts: 48.0\n    #", ""),
    (
        "two forms of one length",
        "length_m: 640\n      connectors",
        "length_m: 640\n      length_ft: 2100\n      connectors",
        "has both length_m and length_ft",
    ),
    (
        "more than the class allows",
        "poe_class: 2, watts: 3.2",
        "poe_class: 1, watts: 4.2",
        "a class 1 device may draw 3.84 W, the plan says 4.2 W",
    ),
    ("a way that leads to itself", "from: {pole: creek, port", "from: {pole: woolshed, port", "leads back to itself"),
    (
        "an unknown credential",
        "credentials: switches, minimum_volts: 44, maximum_volts: 57, own_watts: 5",
        "credentials: swiches, minimum_volts: 44, maximum_volts: 57, own_watts: 5",
        "did you mean switches?",
    ),
    ("an address used twice", "address: 10.20.2.21", "address: 10.20.2.11", "10.20.2.11 is used twice"),
    ("an unknown VLAN", "cable_m: 15, vlan: 20", "cable_m: 15, vlan: 21", "21 is not in vlans"),
    (
        "a meter for no feeder",
        "    yards: {kind: snmp, datasheet: dc-meter",
        "    ridge: {kind: snmp, datasheet: dc-meter",
        "'ridge' is no known pole with a feeder from a supply",
    ),
]


@pytest.mark.parametrize(
    ("before", "after", "said"), [c[1:] for c in CHANGES if c[3]], ids=[c[0] for c in CHANGES if c[3]]
)
def test_what_cannot_be_right_is_named_with_its_line(
    before: str, after: str, said: str, tarrow_text: str, sheets: Sheets
) -> None:
    assert before in tarrow_text
    changed = tarrow_text.replace(before, after, 1)
    found = [line for line in problems(changed, sheets) if said in line]
    assert found, problems(changed, sheets)
    line = re.match(r"site\.yaml, line (\d+): ", found[0])
    assert line is not None
    assert 1 < int(line[1]) <= len(changed.splitlines())


def test_the_line_is_the_line_of_the_field(tarrow_text: str, sheets: Sheets) -> None:
    changed = tarrow_text.replace("length_m: 310\n", "lenght_m: 310\n", 1)
    where = f"site.yaml, line {line_with(changed, 'lenght_m')}: "
    assert problems(changed, sheets) == [where + "poles[1].fibre.lenght_m is not known; did you mean length_m?"]


def test_all_problems_come_at_once_form_and_meaning(tarrow_text: str, sheets: Sheets) -> None:
    changed = tarrow_text
    wanted = ["lenght_m", "is not a number", "gateway?", "used twice"]
    for _, before, after, _ in (CHANGES[0], CHANGES[1], CHANGES[3], CHANGES[5]):
        changed = changed.replace(before, after, 1)
    found = problems(changed, sheets)
    assert len(found) == 4
    for words in wanted:
        assert any(words in line for line in found), words


@pytest.mark.parametrize("text", ["", "a: [", "- one\n- two", "just words", "a: 1\na: 2", "\t- x", "poles: &a [*a]"])
def test_what_is_no_plan_is_said_in_lines_not_in_a_traceback(text: str, sheets: Sheets) -> None:
    assert all("line " in line for line in problems(text, sheets))


def test_imperial_lengths_are_taken(tarrow_text: str, sheets: Sheets) -> None:
    plan = read_plan(
        tarrow_text.replace("length_m: 640\n      connectors", "length_ft: 2100\n      connectors", 1), sheets
    )
    fibre = plan.pole("creek").fibre
    assert fibre is not None
    assert fibre.length_m == pytest.approx(640.08)


def test_awg_is_taken_and_mm2_beside_it_refused(tarrow_text: str, sheets: Sheets) -> None:
    one = tarrow_text.replace("conductor_mm2: 4,", "conductor_awg: 12,", 1)
    feeder = read_plan(one, sheets).pole("yards").feeder
    assert feeder is not None
    assert feeder.conductor_awg == 12
    both = tarrow_text.replace("conductor_mm2: 4,", "conductor_mm2: 4, conductor_awg: 12,", 1)
    assert "exactly one of conductor_mm2 and conductor_awg" in problems(both, sheets)[0]


def test_everything_that_a_plan_must_be_able_to_say(sheets: Sheets) -> None:
    text = (Path(__file__).parent / "all-fields.yaml").read_text(encoding="utf-8")
    plan = read_plan(text, sheets)
    assert plan.sign_of_life is not None
    assert plan.pole("hill").reached_by is not None


def test_a_datasheet_with_an_unknown_key_is_refused_with_file_and_line() -> None:
    text = "poe_classes:\n  0: {pse_watts: 15.4, pd_wats: 12.95, type: 1, source: a standard}\n"
    with pytest.raises(
        NotRight, match=r"mine\.yaml, line 2: poe_classes\.0\.pd_wats is not known; did you mean pd_watts\?"
    ):
        read_sheets({"mine.yaml": text})


def test_a_later_datasheet_overrides_an_earlier_one() -> None:
    row = "poe_classes:\n  0: {pse_watts: %s, pd_watts: 12.95, type: 1, source: a standard}\n"
    assert read_sheets({"a": row % 15.4, "b": row % 16}).poe_classes[0].pse_watts == 16


def test_the_plan_of_every_field_has_every_field(sheets: Sheets) -> None:
    """What a plan knows and this file does not say would be tried by nobody."""
    text = (Path(__file__).parent / "all-fields.yaml").read_text(encoding="utf-8")
    said = set(re.findall(r"(?m)(?:^|[{ ,])([a-z][a-z0-9_]*):", text))
    parts = [one for one in vars(parts_of_plan).values() if isinstance(one, type) and issubclass(one, Part)]
    fields = {f.alias or name for part in parts for name, f in part.model_fields.items()}
    elsewhere = {"conductor_mm2", "length_m", "hottest_c", "coldest_c"}  # this one is in feet, AWG and °F
    assert fields - said - elsewhere == {"pole"}, "the port of a pole where a run begins: not in a plan of one fibre"
