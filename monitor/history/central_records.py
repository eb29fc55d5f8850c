"""What goes into a centre's tables and comes out of them, as plain records."""

from collections.abc import Sequence
from dataclasses import dataclass

TAKEN = "it has been taken already, or it is older than one that has"
NO_SOURCE = "it has not said yet of which history it is"
"""Why a parcel is refused."""


@dataclass(frozen=True, slots=True)
class SiteRow:
    """One site of the centre; times in UTC seconds, ``heard_s`` None where it has never been heard."""

    name: str
    key: str
    added_s: float
    heard_s: float | None
    alive_s: float
    """How often it means to give a sign of life."""
    source: int | None
    history: str
    number: int


@dataclass(frozen=True, slots=True)
class StandingAlarm:
    """An alarm that stands anywhere."""

    site: str
    resource: str
    type: str
    severity: str
    operator: str
    text: str
    root: str
    raised_s: float


@dataclass(frozen=True, slots=True)
class RoundsOf:
    """Rounds that a site has sent; ``up_to`` None where its cursor stays."""

    site: str
    number: int
    blobs: Sequence[tuple[int, bytes]]
    up_to: int | None
    alive_s: float | None
    now_s: float
