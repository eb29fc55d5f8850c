"""``farpole budget``: what the design assumes, before anything is dug."""

import json
import sys
from argparse import Namespace

from monitor.budgets.expected import site_budget
from monitor.cli.main import BAD_INPUT, FAILED, OK
from monitor.daemon.files import load_plan
from monitor.plan.text import NotRight
from monitor.show.budget_view import as_json, negative
from monitor.show.terminal import budget


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
    if given.json:
        print(json.dumps(as_json(site, plan.site.name), indent=2, ensure_ascii=False))
    else:
        print(budget(site, plan.site.name))
    found = negative(site)
    for line in found:
        print(f"negative: {line}", file=sys.stderr)
    return FAILED if found else OK
