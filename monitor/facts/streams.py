"""How far a camera's stream works: the values of the quantity ``stream_state``."""

from enum import IntEnum


class StreamState(IntEnum):
    """What a look at a stream came to. The numbers are kept in history and never change."""

    ALIVE = 1
    NO_CONNECTION = 2
    NO_RTSP = 3
    LOG_IN_REFUSED = 4
    NO_SUCH_STREAM = 5
    NOT_SET_UP = 6
    NOT_PLAYING = 7
    NOTHING_COMES = 8
    PASSWORD_IN_CLEAR = 9
    """The camera asks for the password in clear, and did not get it."""
    LOG_IN_UNKNOWN = 10
    """The camera asks for a way of logging in that is not known here."""
