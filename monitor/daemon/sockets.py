"""The sockets that the daemon listens on: for commands in its data directory, and for the page."""

import logging
import socket
from collections.abc import Iterator, Sequence
from pathlib import Path

from monitor.daemon.page import Page

log = logging.getLogger(__name__)


class CannotStart(RuntimeError):
    """The daemon cannot run here; the message is one clear line."""


def command_socket(places: Sequence[Path]) -> tuple[socket.socket, Path] | None:
    """The command socket and where it lies: at the first place where it can be made; None where there is none.

    Its mode says who may use it. The data directory must be ours alone by now.
    """
    for path in places:
        bound = socket.socket(socket.AF_UNIX)
        try:
            path.unlink(missing_ok=True)  # the lock is ours, so nobody listens on what lies there
            bound.bind(str(path))
            path.chmod(0o660)
        except OSError as error:
            bound.close()
            log.warning("no command socket at %s: %s", path, error.strerror or error)
            continue
        return bound, path
    log.error("no command socket can be made: farpole watches and calls people out, and hears no command")
    return None


def unlinked(path: Path) -> None:
    """Take a socket's name away again, where the disk lets us."""
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        log.warning("%s is left behind: %s", path, error.strerror)


def page_socket(page: Page | None) -> Iterator[socket.socket]:
    """The page's socket; none where its address cannot be had: monitoring goes on without a page."""
    if page is None:
        return
    family = socket.AF_INET6 if ":" in page.host else socket.AF_INET
    try:
        yield socket.create_server((page.host, page.port), family=family)
    except OSError as error:
        words = "no page: %s:%d cannot be opened (%s); monitoring goes on without it"
        log.error(words, page.host, page.port, error.strerror)
