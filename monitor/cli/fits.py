"""``farpole fits``: would one more camera, access point or other load fit at a pole?"""

import json
import sys
from argparse import Namespace
from dataclasses import asdict
from pathlib import Path
from typing import Any

from monitor.budgets.fits import Answer, Measured, fits
from monitor.cli.client import NoDaemon, SaidNo, call
from monitor.cli.main import BAD_INPUT, FAILED, OK, data_directory
from monitor.daemon.files import load_plan
from monitor.plan.text import NotRight
from monitor.show.terminal import table


def main(given: Namespace) -> int:
    """Answer from the plan, and from live readings where a daemon has them; status 1 where it does not fit."""
    picture, plan_file = _live(given.data or data_directory(), given.plan)
    if plan_file is None:
        print("farpole: no farpole runs here; say which plan with --plan FILE", file=sys.stderr)
        return BAD_INPUT
    try:
        plan, sheets = load_plan(plan_file)
    except NotRight as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    if given.load not in sheets.loads or given.at not in [pole.name for pole in plan.poles]:
        what, known = (
            ("load", sheets.loads) if given.load not in sheets.loads else ("pole", [p.name for p in plan.poles])
        )
        name = given.load if what == "load" else given.at
        print(f"farpole: {name!r} is no known {what}; there are {', '.join(known)}", file=sys.stderr)
        return BAD_INPUT
    try:
        answers = fits(
            plan, sheets, given.at, sheets.loads[given.load], given.cable_m, measured_from(picture, given.at)
        )
    except ValueError as error:
        print(f"{plan_file}: {error}", file=sys.stderr)
        return BAD_INPUT
    fine = all(answer.fits for answer in answers)
    if given.json:
        print(
            json.dumps(
                {"load": given.load, "at": given.at, "fits": fine, "answers": [asdict(a) for a in answers]},
                ensure_ascii=False,
            )
        )
    else:
        print(_text(answers, given.load, given.at, fine))
    return OK if fine else FAILED


def _live(data: Path, plan: Path | None) -> tuple[dict[str, Any] | None, Path | None]:
    """The running daemon's picture and plan, where there is one and no other plan was named."""
    if plan is not None:
        return None, plan
    try:
        return call(data, "/picture"), Path(call(data, "/itself")["plan"])
    except (NoDaemon, SaidNo):
        return None, None


def measured_from(picture: dict[str, Any] | None, pole: str) -> Measured:
    """Live values of a picture: loop resistance of metered feeders, PoE watts and light at the pole."""
    if picture is None:
        return Measured({})
    values = {
        (m["resource"], m["quantity"]): m["value"]
        for place in [picture["headend"], *picture["poles"]]
        for m in place["margins"]
        if m["value"] is not None
    }
    supplies = [m["value"] for m in picture["supplies"] if m["value"] is not None]
    ohms = {}
    for (resource, quantity), amperes in values.items():
        name = resource.split("/")[0]
        volts = values.get((f"{name}/switch", "input_volts"))
        if quantity == "feeder_amperes" and volts is not None and len(supplies) == 1 and amperes > 0.1:
            ohms[name] = (supplies[0] - volts) / amperes
    light = [
        m["margin"]
        for place in picture["poles"]
        if place["name"] == pole
        for m in place["margins"]
        if m["quantity"] == "rx_dbm" and m["margin"] is not None
    ]
    return Measured(ohms, values.get((f"{pole}/switch", "poe_total_watts")), min(light, default=None))


def _text(answers: list[Answer], load: str, pole: str, fine: bool) -> str:
    rows = [("budget", "margin before", "after", "", "")]
    for a in answers:
        before, after = ("" if v is None else f"{v:+.2f} {a.unit}" for v in (a.before, a.after))
        rows.append((a.budget, before, after, "fits" if a.fits else "does NOT fit", a.why))
    head = f"One more {load} at {pole}: {'it fits' if fine else 'it does not fit'}."
    return "\n".join([head, *table(rows)])
