"""How the history says that it cannot keep or read something."""

import errno

WORDS = {"full": "the disk is full", "read-only": "the disk is read-only", "denied": "permission denied"}
_REASONS = {
    errno.ENOSPC: "full",
    errno.EDQUOT: "full",
    errno.EROFS: "read-only",
    errno.EACCES: "denied",
    errno.EPERM: "denied",
}


class NotKept(OSError):
    """The history could not be read or written; the message says why, ``reason`` in one word.

    full, damaged, lost (the disk does not answer), read-only, denied, server (the database does not answer), taken (by
    another farpole), empty; or nothing, where the same will be wrong whenever it is tried again.
    """

    def __init__(self, message: str, reason: str = "") -> None:
        super().__init__(message)
        self.reason = reason


def reason_of(error: OSError) -> str:
    """Why the system has refused something, in one word.

    >>> reason_of(OSError(28, "No space left on device")), reason_of(OSError(5, "Input/output error"))
    ('full', 'lost')
    """
    return _REASONS.get(error.errno or 0, "lost")
