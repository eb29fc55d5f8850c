"""How long a place answered, minute by minute, and which outage each missed minute is charged to."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

MINUTE_S = 60.0


class Heard(IntEnum):
    """What is known of a minute."""

    NOT_ASKED = 0
    ANSWERED = 1
    MISSED = 2


Minutes = NDArray[np.uint8]
"""One ``Heard`` a minute."""


@dataclass(frozen=True, slots=True)
class Outage:
    """An alarm that says why a place was away: from and to which minute, and what it was found to be."""

    from_minutes: float
    to_minutes: float
    cause: str


@dataclass(frozen=True, slots=True)
class Availability:
    """Minutes of a span. Those of ``missed`` are charged to a cause each, or stand in ``not_explained``."""

    answered: int
    missed: int
    not_asked: int
    by_cause: dict[str, int]
    not_explained: int

    @property
    def percent(self) -> float | None:
        """Share of the minutes known that were answered; None where none is known."""
        known = self.answered + self.missed
        return 100 * self.answered / known if known else None


def held(minutes: Minutes, most_minutes: float) -> Minutes:
    """What was heard holds until the next question, for no longer than ``most_minutes``.

    >>> held(np.array([1, 0, 0, 0, 2, 0], np.uint8), 2).tolist()
    [1, 1, 1, 0, 2, 2]
    """
    places = np.arange(len(minutes))
    last = np.maximum.accumulate(np.where(minutes != Heard.NOT_ASKED, places, -1))
    known = (last >= 0) & (places - last <= most_minutes)
    return np.where(known, minutes[np.maximum(last, 0)], Heard.NOT_ASKED).astype(np.uint8)


def charged(minutes: Minutes, outages: Sequence[Outage]) -> Availability:
    """Charge each run of missed minutes to the outages that stood during it.

    An alarm is raised some rounds after the first miss and cleared some after the last: what lies before it in the run
    is charged to it too. A run during which none stood is not explained.
    """
    by_cause: dict[str, int] = {}
    missed = minutes == Heard.MISSED
    edges = np.flatnonzero(np.diff(np.concatenate(([False], missed, [False])).astype(np.int8)))
    in_order = sorted(outages, key=lambda one: one.from_minutes)
    not_explained = 0
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        stood = [one for one in in_order if one.from_minutes < end and one.to_minutes > begin]
        if not stood:
            not_explained += end - begin
            continue
        # Each goes on until the next begins; the first begins with the run.
        starts = [begin, *(min(end, max(begin, int(one.from_minutes))) for one in stood[1:]), end]
        for one, first, after in zip(stood, starts, starts[1:], strict=False):
            by_cause[one.cause] = by_cause.get(one.cause, 0) + after - first
    answered, not_asked = (int((minutes == kind).sum()) for kind in (Heard.ANSWERED, Heard.NOT_ASKED))
    return Availability(answered, int(missed.sum()), not_asked, by_cause, not_explained)
