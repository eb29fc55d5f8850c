"""How the history says that it cannot keep or read something."""

import errno
from enum import StrEnum


class Reason(StrEnum):
    """Why it cannot: what decides how to go on."""

    NONE = ""
    """The same will be wrong whenever it is tried again."""
    FULL = "full"
    DAMAGED = "damaged"
    LOST = "lost"
    """The disk does not answer."""
    READ_ONLY = "read-only"
    DENIED = "denied"
    SERVER = "server"
    """The database does not answer."""
    WRONG = "wrong"
    """Values that fit no column."""
    TAKEN = "taken"
    """By another farpole."""
    EMPTY = "empty"


WORDS: dict[str, str] = {
    Reason.FULL: "the disk is full",
    Reason.READ_ONLY: "the disk is read-only",
    Reason.DENIED: "permission denied",
}
_REASONS = {
    errno.ENOSPC: Reason.FULL,
    errno.EDQUOT: Reason.FULL,
    errno.EROFS: Reason.READ_ONLY,
    errno.EACCES: Reason.DENIED,
    errno.EPERM: Reason.DENIED,
}


class NotKept(OSError):
    """The history could not be read or written; the message says why to people, ``reason`` to whoever goes on."""

    def __init__(self, message: str, reason: str = Reason.NONE) -> None:
        """Raises ValueError for a ``reason`` that is none."""
        super().__init__(message)
        self.reason = Reason(reason)


def reason_of(error: OSError) -> Reason:
    """Why the system has refused something.

    >>> reason_of(OSError(28, "No space left on device")), reason_of(OSError(5, "Input/output error"))
    (<Reason.FULL: 'full'>, <Reason.LOST: 'lost'>)
    """
    return _REASONS.get(error.errno or 0, Reason.LOST)
