"""``farpole survey``: what is on the network, beside the plan."""

import asyncio
import json
import os
import sys
from argparse import Namespace
from dataclasses import asdict

from monitor.cli.main import BAD_INPUT, FAILED, OK
from monitor.daemon.files import load_plan
from monitor.daemon.secrets import load_secrets, needed_for_devices, snmp_credentials
from monitor.daemon.surveying import Ways, intended, survey, ways_of
from monitor.devices.ask.snmp import Community, User
from monitor.devices.ask.snmp_any import AnyAsker
from monitor.devices.found import Found, compare, devices, first_seen
from monitor.devices.found_tree import tree
from monitor.devices.questions import devices_of
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.plan.proposal import proposed
from monitor.plan.text import NotRight


def main(given: Namespace) -> int:
    """Survey and print; status 1 where something is not as planned."""
    try:
        plan, sheets = load_plan(given.plan)
        secrets_file = given.secrets or given.plan.with_name("secrets.yaml")
        names = needed_for_devices(plan)
        secrets = load_secrets(secrets_file if secrets_file.exists() else None, os.environ, names)
    except NotRight as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    ways = [] if given.no_sweep else ways_of(plan, given.interface)
    print("This survey will send:", file=sys.stderr)
    for line in intended(plan, ways, given.listen_s):
        print(f"  {line}", file=sys.stderr)
    if not given.yes and sys.stdin.isatty() and input("Go on? [y/N] ").strip().lower() not in ("y", "yes"):
        return FAILED
    found = asyncio.run(_survey(plan, sheets, snmp_credentials(plan, secrets), ways, given.listen_s))
    differences = compare(plan, found, first_seen(plan, found, frozenset()))
    if given.write_plan:
        given.write_plan.write_text(
            proposed(given.plan.read_text(encoding="utf-8"), plan, devices(plan, found)), encoding="utf-8"
        )
    if given.json:
        document = {
            "swept": found.swept,
            "devices": [asdict(one) for one in devices(plan, found)],
            "differences": [asdict(one) for one in differences],
        }
        print(json.dumps(document, ensure_ascii=False))
    else:
        print("\n".join(tree(plan, found, differences)))
        print()
        for one in differences:
            print(f"{one.kind}: {one.words}")
        print("everything found is as planned" if not differences else f"{len(differences)} differences from the plan")
    return FAILED if differences else OK


async def _survey(
    plan: Plan, sheets: Sheets, credentials: dict[str, Community | User], ways: list[Ways], listen_s: float
) -> Found:
    asker = AnyAsker()
    switches = [device for device in devices_of(plan, sheets).values() if not device.name.startswith("meter/")]
    try:
        return await survey(
            plan, switches, asker, credentials, ways, listen_s, lambda line: print(line, file=sys.stderr)
        )
    finally:
        asker.close()


def _say(line: str) -> None:
    print(line, file=sys.stderr)
