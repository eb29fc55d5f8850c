"""How the history says that it cannot keep or read something."""


class NotKept(OSError):
    """The history could not be read or written; the message says why, ``reason`` in one word.

    full, damaged, lost (the disk does not answer), read-only, or empty.
    """

    def __init__(self, message: str, reason: str = "") -> None:
        super().__init__(message)
        self.reason = reason
