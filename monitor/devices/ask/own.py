"""What went wrong on our own side: then a device was not asked, and has not been silent."""

import errno
from typing import Final

_SHORT: Final = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})
"""No descriptor left, here or in the whole machine; no buffer, no memory (socket(2), sendto(2))."""


class CouldNotAsk(OSError):
    """This machine could not open or use a socket; it says nothing about the device."""


def is_ours(error: BaseException | None) -> bool:
    """Is an error, or what a library made it from, this machine's own want of descriptors or memory?

    >>> is_ours(OSError(errno.EMFILE, "Too many open files")), is_ours(OSError(errno.EHOSTUNREACH, "No route"))
    (True, False)
    """
    while error is not None:
        if isinstance(error, OSError) and error.errno in _SHORT:
            return True
        error = error.__cause__ or error.__context__
    return False
