"""``farpole demo``: the simulated site and the daemon on it."""

import asyncio
import json
import sys
from argparse import Namespace

from monitor.cli.main import BAD_INPUT, FAILED, OK
from monitor.daemon.campaign import write
from monitor.daemon.demo import Demo
from monitor.daemon.files import load_plan, shipped
from monitor.daemon.logs import log_to_stderr
from monitor.daemon.page import page_of
from monitor.daemon.sockets import CannotStart
from monitor.simulation.campaign import widened
from monitor.simulation.faults import FAULTS


def main(given: Namespace) -> int:
    """Run the demo; with --until-callout, 0 as soon as the drop has been called out."""
    if given.list_faults:
        for name, kind in FAULTS.items():
            print(f"{name:20} {kind.words}")
        return OK
    if given.campaign is not None:
        return _campaign(given)
    log_to_stderr()
    try:
        page = None if given.headless else page_of(given.page, None, None, "")
        if page is not None:
            print(f"The page: http://{page.host}:{page.port}/   (stop with Ctrl-C)", flush=True)
        if not 0.1 <= given.speed <= 20:
            raise ValueError(f"--speed {given.speed:g} is not between 0.1 and 20")
        demo = Demo(given.seed, given.fault, page, _say, given.until_callout, given.speed)
        document = asyncio.run(demo.run())
    except CannotStart as error:
        print(f"farpole: {error}", file=sys.stderr)
        return FAILED
    except ValueError as error:
        print(f"farpole: {error}", file=sys.stderr)
        return BAD_INPUT
    if given.json and document is not None:
        print(json.dumps(document, ensure_ascii=False))
    return FAILED if given.until_callout and document is None else OK


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _campaign(given: Namespace) -> int:
    try:
        if given.out is None:
            raise ValueError("--campaign needs --out FOLDER")
        plan, _ = load_plan(shipped() / "tarrow-downs.yaml")
        if given.poles is not None:
            if not len(plan.poles) <= given.poles <= 50:
                raise ValueError(f"--poles {given.poles} is not between {len(plan.poles)} and 50")
            plan = widened(plan, given.poles)
        write(plan, given.campaign, given.seed, given.out, _say)
    except ValueError as error:
        print(f"farpole: {error}", file=sys.stderr)
        return BAD_INPUT
    except OSError as error:
        print(f"farpole: {error.filename or given.out}: {error.strerror}", file=sys.stderr)
        return FAILED
    return OK
