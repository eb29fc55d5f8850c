"""``farpole run``: the daemon in the foreground."""

import asyncio
import logging
import sys
from argparse import Namespace
from pathlib import Path

from monitor.cli.main import BAD_INPUT, FAILED, OK, data_directory
from monitor.cli.printed import OneLine
from monitor.daemon.page import page_of
from monitor.daemon.run import Settings
from monitor.daemon.shared import daemon_of
from monitor.daemon.sockets import CannotStart
from monitor.daemon.to_centre import Centre
from monitor.plan.text import NotRight


def log_to_stderr() -> None:
    """Lines that read well in a terminal and in the journal, which adds the time itself."""
    in_journal = not sys.stderr.isatty()
    for name in ("alembic", "uvicorn"):
        logging.getLogger(name).setLevel(logging.WARNING)
    logging.getLogger("pymodbus").setLevel(logging.ERROR)  # it does not say whom it cannot reach: the alarm does
    to_stderr = logging.StreamHandler(sys.stderr)
    to_stderr.setFormatter(
        OneLine("%(levelname)s %(message)s" if in_journal else "%(asctime)s %(message)s", "%H:%M:%S")
    )
    logging.basicConfig(level=logging.INFO, handlers=[to_stderr])


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
