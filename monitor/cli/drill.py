"""``farpole drill``: walks the whole way from a silent pole to people on the live installation, and times it."""

import json
import sys
import time
from argparse import Namespace
from pathlib import Path
from typing import Any

from monitor.cli.client import NoDaemon, SaidNo, call
from monitor.cli.main import BAD_INPUT, FAILED, NO_DAEMON, OK, data_directory

LOOK_EACH_S = 1.0


def main(given: Namespace) -> int:
    """Ask, unless ``--yes``; begin; print each step as it comes."""
    if not given.yes:
        if not sys.stdin.isatty():
            print("farpole: no drill without --yes where nobody can be asked", file=sys.stderr)
            return BAD_INPUT
        print(f"Call people out for a drill at {given.pole}? Every message says that it is one. [y/N] ", end="")
        if input().strip().lower() not in ("y", "yes"):
            return FAILED
    data = given.data or data_directory()
    body = {"pole": given.pole, "fault": given.fault, "who": given.by or "", "minutes": given.minutes}
    try:
        call(data, "/drill", body, timeout_s=60)
        return _told(_follow(data, given.json), given.json)
    except NoDaemon as none:
        print(f"farpole: {none}; a drill needs a running farpole", file=sys.stderr)
        return NO_DAEMON
    except SaidNo as no:
        print(f"farpole: no drill: {no}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print(f"\nfarpole: the drill goes on; farpole alarms ack {given.pole} drill ends it", file=sys.stderr)
        return FAILED


def _follow(data: Path, quiet: bool) -> Any:
    """The report of the drill when it is over; until then its steps are printed as they come."""
    printed: list[Any] = []
    while True:
        report = call(data, "/drill")
        for step in report["steps"]:
            if not quiet and step not in printed:  # one that becomes known late may belong before what is printed
                print(f"{step['after_s']:8.1f} s  {step['what']}", flush=True)
        printed = report["steps"]
        if report["over"]:
            return report
        time.sleep(LOOK_EACH_S)


def _told(report: Any, as_json: bool) -> int:
    """What the drill has shown. It is proven where somebody was called, every callout went, and somebody answered."""
    good = report["called"] and report["went"] == report["called"] and report["acknowledged"]
    if as_json:
        print(json.dumps(report, ensure_ascii=False))
        return OK if good else FAILED
    if not report["called"]:
        print("NOT proven: nobody in the plan is called for a critical alarm of this pole now,")
        print("or its alarms are shelved: see callouts in the plan, and farpole alarms")
    elif good:
        print(f"Proven: {report['went']} of {report['called']} callouts went, and somebody acknowledged.")
    else:
        print(f"NOT proven: {report['went']} of {report['called']} callouts went; ", end="")
        print("somebody acknowledged" if report["acknowledged"] else "nobody acknowledged")
    for line in report["not_gone"]:
        print(f"  not gone: {line}")
    return OK if good else FAILED
