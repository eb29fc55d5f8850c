"""The log stays short whatever happens, and says what it has left out."""

import io
import logging
import warnings
from collections.abc import Iterator

import pytest

from monitor.daemon import logs
from monitor.daemon.logs import MOST, PER_S, Limited


class Now:
    """A clock for this test."""

    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture
def now() -> Now:
    return Now()


@pytest.fixture
def out(now: Now) -> Iterator[io.StringIO]:
    """Where the log of a daemon goes, set up as that sets it up."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    root.handlers = []
    written = io.StringIO()
    logs.set_up(written, now)
    yield written
    root.handlers, root.level = handlers, level
    logging.captureWarnings(False)


def lines(out: io.StringIO) -> list[str]:
    return out.getvalue().splitlines()


def test_a_hundred_thousand_equal_errors_are_few_lines_and_a_count(out: io.StringIO, now: Now) -> None:
    log = logging.getLogger("monitor.somewhere")
    for i in range(100_000):
        log.error("creek answers with %d octets of nonsense", i)
    assert lines(out) == [f"ERROR creek answers with {i} octets of nonsense" for i in range(MOST)]
    now.s += PER_S
    log.error("creek answers with %d octets of nonsense", 7)
    left_out = "ERROR 99980 more like this were left out: creek answers with %d octets of nonsense"
    assert lines(out)[MOST:] == [left_out, "ERROR creek answers with 7 octets of nonsense"]
    now.s += PER_S
    log.error("creek answers with %d octets of nonsense", 8)
    assert len(lines(out)) == MOST + 3, "said once"


def test_other_kinds_are_heard_meanwhile(out: io.StringIO) -> None:
    log = logging.getLogger("monitor.somewhere")
    for _ in range(1000):
        log.error("a flood")
    log.warning("the history is damaged")
    log.info("a flood")
    assert lines(out)[MOST:] == ["WARNING the history is damaged", "INFO a flood"]


def test_what_was_left_out_is_said_though_nothing_else_is_logged(out: io.StringIO, now: Now) -> None:
    for _ in range(MOST + 5):
        logging.getLogger("a").error("a flood")
    logs.tell_left_out()
    assert len(lines(out)) == MOST
    now.s += PER_S
    logs.tell_left_out()
    logs.tell_left_out()
    assert lines(out)[MOST:] == ["ERROR 5 more like this were left out: a flood"]


def test_and_at_the_end(out: io.StringIO) -> None:
    for _ in range(MOST + 5):
        logging.getLogger("a").error("a flood")
    (limited,) = (one for one in logging.getLogger().handlers if isinstance(one, Limited))
    limited.close()
    assert lines(out)[-1] == "ERROR 5 more like this were left out: a flood"


def test_libraries_that_write_what_varies_into_the_text_are_one_kind(out: io.StringIO) -> None:
    log = logging.getLogger("uvicorn.error")
    for i in range(10_000):
        log.error(f"<Protocol at 0x7f{i:x}> of {i}: 'peer-{i}' has gone")
    assert len(lines(out)) == MOST


def test_kinds_without_end_are_bounded(out: io.StringIO) -> None:
    log = logging.getLogger("a.library")
    for i in range(20_000):
        log.error("".join(chr(97 + (i // 26**k) % 26) for k in range(4)))
    assert len(lines(out)) <= logs.MOST_KINDS + MOST


def test_one_message_is_never_without_end(out: io.StringIO) -> None:
    logging.getLogger("a").error("x" * 10**6)
    assert len(out.getvalue()) < logs.MOST_CHARACTERS + 100


def test_warnings_of_the_language_go_the_same_way(out: io.StringIO) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        logging.captureWarnings(True)
        for i in range(1000):
            warnings.warn(f"odd {i}", stacklevel=1)
        logging.captureWarnings(False)
    assert sum("UserWarning: odd" in line for line in lines(out)) == MOST


async def test_accept_without_descriptors_does_not_fill_the_log(out: io.StringIO) -> None:
    """asyncio says so for each try, a thousand times a second: "socket.accept() out of system resource"."""
