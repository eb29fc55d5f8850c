"""``farpole run``: the daemon in the foreground."""

import asyncio
import logging
import sys
from argparse import Namespace
from pathlib import Path

from monitor.cli.main import BAD_INPUT, FAILED, OK, data_directory
from monitor.daemon.run import CannotStart, Daemon, Settings
from monitor.plan.text import NotRight


def page_address(text: str) -> tuple[str, int] | None:
    """``ADDRESS:PORT`` or ``off``; raises ValueError for anything else.

    >>> page_address("127.0.0.1:8460"), page_address("off")
    (('127.0.0.1', 8460), None)
    """
    if text == "off":
        return None
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 1 <= int(port) <= 65535:
        raise ValueError(f"--page {text!r} is not ADDRESS:PORT or off")
    if host not in ("127.0.0.1", "::1", "localhost"):
        raise ValueError(f"--page {host}: the page has no password yet and is served on 127.0.0.1 only")
    return host, int(port)


def log_to_stderr() -> None:
    """Lines that read well in a terminal and in the journal, which adds the time itself."""
    in_journal = not sys.stderr.isatty()
    for name in ("alembic", "uvicorn"):
        logging.getLogger(name).setLevel(logging.WARNING)
    logging.basicConfig(
        stream=sys.stderr,
        level=logging.INFO,
        format="%(levelname)s %(message)s" if in_journal else "%(asctime)s %(message)s",
        datefmt="%H:%M:%S",
    )


def main(given: Namespace) -> int:
    """Run until stopped."""
    log_to_stderr()
    beside: Path = given.plan.parent / "secrets.yaml"
    secrets = given.secrets or (beside if beside.exists() else None)
    try:
        page = page_address(given.page)
        settings = Settings(given.plan, given.data or data_directory(), secrets, page, given.history_gb, given.history)
        asyncio.run(Daemon(settings).run())
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
