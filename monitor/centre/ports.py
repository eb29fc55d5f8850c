"""What the carrying needs from both ends, which the daemon fills: the site's history, and the centre's tables."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from monitor.centre.parcel import NotRight, Parcel


@dataclass(frozen=True, slots=True)
class Known:
    """What the centre has of a site: up to where of each kind, and which sheets, by their digests."""

    history: str
    number: int
    """Of the last parcel that it took: the next one is higher."""
    up_to: Mapping[str, int]
    newest_change_s: float | None
    """When the newest change of an alarm that it has happened; None where it has none."""
    sheets: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Load:
    """Rows to carry; ``head`` says what they are, ``up_to`` where the cursor of their kind stands afterwards."""

    kind: str
    head: Mapping[str, Any]
    blobs: tuple[tuple[int, bytes], ...] = ()
    up_to: int | None = None


class Outbox(Protocol):
    """The site's own history, as far as the centre is told of it. What cannot be read now raises NotNow."""

    async def history(self) -> str:
        """The name of this history."""
        ...

    async def is_behind(self, known: Known) -> bool:
        """Does the centre know rows that this history does not have?"""
        ...

    async def fork(self) -> str:
        """Go on under a new name."""
        ...

    async def read_since(self, known: Mapping[str, int], sheets: Mapping[str, str], catching_up: bool) -> Load | None:
        """What is to go next: alarms first, then how the site stands, then what waits, oldest first."""
        ...

    async def confirmed(self, load: Load) -> None:
        """The centre has these rows for good."""
        ...


class Inbox(Protocol):
    """The centre's tables."""

    async def key_of(self, site: str) -> str | None:
        """The public key of a site; None where there is no such site."""
        ...

    async def known(self, site: str) -> Known:
        """What is there of a site."""
        ...

    async def keep(self, site: str, parcel: Parcel, now_s: float) -> str:
        """Keep it for good; empty, or why it is refused. Raises NotNow where the tables cannot be written."""
        ...


class NotNow(RuntimeError):
    """A history or the centre's tables cannot be written or read now: it is tried again."""


def subject_of(site: str, kind: str) -> str:
    """Under which subject a site sends a kind."""
    return f"farpole.{site}.{kind}"


def site_of(subject: str) -> tuple[str, str]:
    """Site and kind of a subject; raises NotRight.

    >>> site_of(subject_of("tarrow-downs", "rounds"))
    ('tarrow-downs', 'rounds')
    """
    first, *rest = subject.split(".")
    if first != "farpole" or len(rest) != 2 or not all(rest):
        raise NotRight("that subject is none of ours")
    return rest[0], rest[1]


def as_known(document: Mapping[str, Any]) -> Known:
    """The centre's answer to a greeting; raises KeyError or TypeError where it is none."""
    return Known(
        str(document["history"]),
        int(document["last"]),
        {str(kind): int(at) for kind, at in document["up_to"].items()},
        None if document["newest_change_s"] is None else float(document["newest_change_s"]),
        {str(name): str(digest) for name, digest in document["sheets"].items()},
    )
