"""What goes to a terminal is printable, whoever wrote it: no text of a device or a person becomes a command to it."""

import contextlib
import sys
from collections.abc import Iterator
from typing import Any, TextIO, cast

from monitor.facts.printable import lines


class Printed:
    """A stream that writes printable text alone, with line feeds and tabs; all else is the stream's."""

    def __init__(self, stream: TextIO) -> None:
        self.beneath = stream

    def write(self, text: str) -> int:
        """Write it; how many characters."""
        return self.beneath.write(lines(text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self.beneath, name)


@contextlib.contextmanager
def printed() -> Iterator[None]:
    """Standard output and error are printable meanwhile."""
    out, err = (cast("TextIO", Printed(one)) for one in (sys.stdout, sys.stderr))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        yield


def over_the_line(text: str) -> None:
    """Write over the line on which the cursor of standard error stands; for words of our own."""
    stream = sys.stderr.beneath if isinstance(sys.stderr, Printed) else sys.stderr
    stream.write(f"\r{text}")
    stream.flush()
