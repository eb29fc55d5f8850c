"""``farpole run``: the daemon in the foreground."""

import asyncio
import sys
from argparse import Namespace
from pathlib import Path

from monitor.cli.main import BAD_INPUT, FAILED, OK, data_directory
from monitor.daemon.logs import log_to_stderr
from monitor.daemon.page import page_of
from monitor.daemon.run import Settings
from monitor.daemon.shared import daemon_of
from monitor.daemon.sockets import CannotStart
from monitor.daemon.to_centre import Centre
from monitor.plan.text import NotRight


def main(given: Namespace) -> int:
    """Run until stopped."""
    log_to_stderr()
    beside: Path = given.plan.parent / "secrets.yaml"
    secrets = given.secrets or (beside if beside.exists() else None)
    try:
        page = page_of(given.page, given.certificate, given.key, given.tls_proxy)
        centre = None
        if given.report_to is not None:
            centre = Centre(given.report_to, given.report_authority, given.report_days)
        data = given.data or data_directory()
        settings = Settings(given.plan, data, secrets, page, given.history_gb, given.history, centre)
        asyncio.run(daemon_of(settings, given.share).run())
    except NotRight as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except CannotStart as error:
        print(f"farpole: {error}", file=sys.stderr)
        return FAILED
    except ValueError as error:
        print(f"farpole: {error}", file=sys.stderr)
        return BAD_INPUT
    return OK
