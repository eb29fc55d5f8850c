"""``farpole demo``: the simulated site and the daemon on it."""

import asyncio
import json
import sys
from argparse import Namespace

from monitor.cli.main import BAD_INPUT, FAILED, OK
from monitor.cli.run import log_to_stderr, page_address
from monitor.daemon.demo import Demo
from monitor.daemon.run import CannotStart
from monitor.simulation.faults import FAULTS


def main(given: Namespace) -> int:
    """Run the demo; with --until-callout, 0 as soon as the drop has been called out."""
    if given.list_faults:
        for name, words in FAULTS.items():
            print(f"{name:18} {words}")
        return OK
    log_to_stderr()
    try:
        page = None if given.headless else page_address(given.page)
        if page is not None:
            print(f"The page: http://{page[0]}:{page[1]}/   (stop with Ctrl-C)", flush=True)
        demo = Demo(
            given.seed, given.fault, page, lambda line: print(line, file=sys.stderr, flush=True), given.until_callout
        )
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
