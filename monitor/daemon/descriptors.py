"""Files and sockets that this process may have open (RLIMIT_NOFILE): raised as far as it goes, and shared out.

Asking the poles comes first: what it needs is kept back, whoever stands before the page.
"""

import resource
from typing import Final

from monitor.daemon.design import Design
from monitor.facts.words import Said, say
from monitor.show.porch import Room

_ENOUGH: Final = 16_384
_OWN: Final = 48
"""History, logs, libraries, event loop, messages: 18 were open in quiet times, the rest is our choice."""
COMMANDS: Final = Room(total=32, comings_s=1000.0, requests_s=1000.0)
"""Connections to the command socket; whoever may open it could stop the daemon as well."""
_LEAST_PAGE, MOST_PAGE = 8, 200


def raise_limit() -> None:
    """Raise this process's limit as far as it may; a process may always raise it up to its hard limit."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _ENOUGH if hard == resource.RLIM_INFINITY else min(hard, _ENOUGH)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def limit() -> int:
    """How many this process may have open."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return _ENOUGH if soft == resource.RLIM_INFINITY else soft


def for_asking(design: Design) -> int:
    """What asking may need at once: for each load a ping and a connection, for each place two, and some streams."""
    loads = sum(map(len, design.loads.values()))
    return 2 * loads + 2 * len(design.places) + min(loads, 20) + 16


def wanted(design: Design) -> int:
    """What a plan needs at the least."""
    return _OWN + COMMANDS.total + _LEAST_PAGE + for_asking(design)


def for_page(design: Design) -> int:
    """What is left for the page's connections."""
    return max(_LEAST_PAGE, min(MOST_PAGE, limit() - _OWN - COMMANDS.total - for_asking(design)))


def too_few(design: Design, failed: bool = False) -> Said | str:
    """What people should know where the limit is too low, or where a socket could not be opened; else empty."""
    values = {"limit": limit(), "wanted": wanted(design)}
    if failed:
        words = "farpole could not open a socket to ask with; it may have {limit} open, this plan needs {wanted}"
        return say(words, **values)
    if values["limit"] < values["wanted"]:
        return say("farpole may have {limit} files and sockets open; this plan needs {wanted}", **values)
    return ""
