"""A process that has run out of descriptors, for a moment of a test (setrlimit(2): EMFILE)."""

import contextlib
import os
import resource
from collections.abc import Iterator


@contextlib.contextmanager
def descriptors_left(count: int) -> Iterator[None]:
    """Leave this process so many descriptors."""
    limits = resource.getrlimit(resource.RLIMIT_NOFILE)
    next_one = os.dup(0)
    os.close(next_one)
    resource.setrlimit(resource.RLIMIT_NOFILE, (next_one + count, limits[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, limits)
