"""``farpole cycle``: switches a PoE port off and on, where nothing stands against it."""

import json
import sys
from argparse import Namespace

from monitor.cli.client import NoDaemon, SaidNo, call
from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, data_directory

LONGEST_S = 120.0


def main(given: Namespace) -> int:
    """Ask, unless ``--yes``; then switch."""
    if not given.yes:
        if not sys.stdin.isatty():
            print("farpole: nothing is switched without --yes where nobody can be asked", file=sys.stderr)
            return BAD_INPUT
        print(f"Switch port {given.port} of {given.pole} off and on? What hangs on it loses its power. [y/N] ", end="")
        if input().strip().lower() not in ("y", "yes"):
            return FAILED
    body = {"pole": given.pole, "port": given.port, "who": given.by or "", "why": given.reason}
    try:
        done = call(given.data or data_directory(), "/cycle", {**body, "confirmed": True}, timeout_s=LONGEST_S)
    except NoDaemon as none:
        print(f"farpole: {none}; switching needs a running farpole", file=sys.stderr)
        return NO_DAEMON
    except SaidNo as no:
        print(f"farpole: not switched: {no}", file=sys.stderr)
        return FAILED
    print(json.dumps(done) if given.json else f"port {given.port} of {given.pole} was off and is on again")
    return OK
