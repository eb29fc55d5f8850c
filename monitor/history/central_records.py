"""What goes into a centre's tables and comes out of them, as plain records."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


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

    def values(self) -> dict[str, Any]:
        """For the statement that keeps them."""
        ids, rows = [number for number, _ in self.blobs], [blob for _, blob in self.blobs]
        told = {"site": self.site, "number": self.number, "now": self.now_s, "alive": self.alive_s}
        return {**told, "ids": ids, "blobs": rows, "at": self.up_to}
