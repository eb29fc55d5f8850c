"""``farpole budget``: what the design assumes, before anything is dug."""

import json
import sys
from argparse import Namespace

from monitor.budgets.expected import site_budget
from monitor.cli.main import BAD_INPUT, FAILED, OK
from monitor.daemon.files import load_plan
from monitor.plan.text import NotRight
from monitor.show.budget_page import page
from monitor.show.budget_text import budget
from monitor.show.budget_view import as_json, negative


def main(given: Namespace) -> int:
    """Print the budgets; status 1 where a margin is negative, naming it."""
    try:
        plan, sheets = load_plan(given.plan)
        site = site_budget(plan, sheets)
    except NotRight as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except ValueError as error:
        print(f"{given.plan}: {error}", file=sys.stderr)
        return BAD_INPUT
    imperial = plan.units == "imperial"
    if given.html:
        try:
            given.html.write_text(page(site, plan.site.name, imperial), encoding="utf-8")
        except OSError as error:
            print(f"farpole: {given.html} cannot be written: {error.strerror}", file=sys.stderr)
            return FAILED
    elif given.json:
        print(json.dumps(as_json(site, plan.site.name), indent=2, ensure_ascii=False))
    else:
        print(budget(site, plan.site.name, imperial))
    found = negative(site)
    for line in found:
        print(f"negative: {line}", file=sys.stderr)
    return FAILED if found else OK
