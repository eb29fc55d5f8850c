"""The sockets that the daemon listens on: for commands in its data directory, and for the page."""

import contextlib
import logging
import socket
from collections.abc import Iterator
from pathlib import Path

from monitor.daemon.page import Page

log = logging.getLogger(__name__)

SOCKET = "farpole.sock"


class CannotStart(RuntimeError):
    """The daemon cannot run here; the message is one clear line."""


def command_socket(path: Path) -> socket.socket:
    """The command socket; its mode says who may use it. The data directory must be ours alone by now."""
    with contextlib.suppress(FileNotFoundError):
        path.unlink()  # the lock is ours, so nobody listens on what lies there
    bound = socket.socket(socket.AF_UNIX)
    try:
        bound.bind(str(path))
    except OSError as error:
        bound.close()
        raise CannotStart(f"the command socket {path} cannot be opened: {error}") from None
    path.chmod(0o660)
    return bound


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
