"""Memory that is free goes back to the system: glibc keeps it, in an arena for each thread, for years if it may."""

import ctypes

_M_ARENA_MAX = -8
"""mallopt(3)."""
_ARENAS = 2


def few_arenas() -> None:
    """Once, before threads begin: two arenas serve them all."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_M_ARENA_MAX, _ARENAS)


def trim() -> None:
    """Give back what is free; a millisecond or two. Other C libraries have nothing to call, and need it less."""
    malloc_trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if malloc_trim is not None:
        malloc_trim(0)
