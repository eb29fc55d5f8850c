"""The whole of two designs as text and numbers: a sound one (the shipped example) and one with everything wrong.

The numbers are checked against the outside by the other tests of this folder; these hold every sentence, source
and digit in place. After a change that is meant: FARPOLE_WRITE_GOLDEN=1, and read the difference.
"""

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import asdict, fields, is_dataclass
from pathlib import Path

import pytest

from monitor.budgets.expected import behind, site_budget
from monitor.budgets.fits import Measured, fits
from monitor.budgets.terms import Term
from monitor.daemon.files import load_plan, shipped
from monitor.show.budget_text import budget
from monitor.show.budget_view import as_json

HERE = Path(__file__).parent
GOLDEN = HERE.parent / "golden"
PLANS = {"tarrow-downs": shipped() / "tarrow-downs.yaml", "troubled": HERE / "troubled.yaml"}


def held(name: str, text: str) -> None:
    file = GOLDEN / name
    if os.environ.get("FARPOLE_WRITE_GOLDEN"):
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", PLANS)
def test_every_digit(name: str) -> None:
    plan, sheets = load_plan(PLANS[name])
    document = as_json(site_budget(plan, sheets), plan.site.name)
    held(f"budget-{name}.json", json.dumps(document, indent=1, ensure_ascii=False) + "\n")


@pytest.mark.parametrize("name", PLANS)
def test_every_sentence(name: str) -> None:
    plan, sheets = load_plan(PLANS[name])
    held(f"budget-{name}.txt", budget(site_budget(plan, sheets), plan.site.name) + "\n")


def terms_in(one: object, path: str = "") -> Iterator[str]:
    """Every term in a tree of dataclasses, with where it stands."""
    if isinstance(one, Term):
        yield f"{path}: {one.name} | {one.value:.6g} {one.unit} | {one.source}"
    elif is_dataclass(one):
        for field in fields(one):
            yield from terms_in(getattr(one, field.name), f"{path}.{field.name}")
    elif isinstance(one, Mapping):
        for key, value in one.items():
            yield from terms_in(value, f"{path}.{key}")
    elif isinstance(one, list | tuple):
        for i, value in enumerate(one):
            yield from terms_in(value, f"{path}[{i}]")


@pytest.mark.parametrize("name", PLANS)
def test_every_term_with_its_name_unit_and_source(name: str) -> None:
    plan, sheets = load_plan(PLANS[name])
    held(f"terms-{name}.txt", "\n".join(terms_in(site_budget(plan, sheets), name)) + "\n")


MEASURED = {
    "as planned": Measured({}),
    "measured": Measured({"creek": 2.9, "near": 9.0}, poe_total_watts=31.5, light_margin_db=-0.4),
}


@pytest.mark.parametrize("name", PLANS)
def test_every_answer_of_fits(name: str) -> None:
    plan, sheets = load_plan(PLANS[name])
    found = {
        f"{load} at {pole.name}, {how}": [
            rounded(asdict(a)) for a in fits(plan, sheets, pole.name, sheets.loads[load], 15, m)
        ]
        for pole in plan.poles
        for load in ("camera-with-heater", "access-point")
        for how, m in MEASURED.items()
    }
    held(f"fits-{name}.json", json.dumps(found, indent=1, ensure_ascii=False) + "\n")


def rounded(answer: dict[str, object]) -> dict[str, object]:
    return {key: round(value, 6) if isinstance(value, float) else value for key, value in answer.items()}


def test_what_lies_behind_in_the_order_of_the_plan() -> None:
    plan, _ = load_plan(PLANS["troubled"])
    assert [behind(plan, pole.name) for pole in plan.poles] == [["far", "hill"], [], [], [], []]
