"""What signs are gathered from: the daemon's memory, as far as this room needs it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from monitor.alarms.book import Book
from monitor.alarms.evidence import Before
from monitor.alarms.silence import Explained, Watch
from monitor.alarms.topology import Topology
from monitor.budgets.expected import SiteBudget
from monitor.facts.latest import Latest
from monitor.facts.readings import Slot
from monitor.margins.judge import Margin
from monitor.margins.norms import Norms
from monitor.margins.verdict import Verdict
from monitor.plan.parts import Plan


@dataclass(frozen=True, slots=True)
class Silence:
    """What is known of one silence, gathered while it lasts: what was seen once stays, until it is seen otherwise.

    It ends with the alarm of that silence: it explains nothing that comes later.
    """

    signs: Mapping[str, bool | None]
    lines: tuple[str, ...] = ()
    """The evidence with figures, as it was seen last."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What a cause is looked for of: a place, one load of it or none, and within which scope."""

    place: str
    load: str | None = None
    shown_by: tuple[str, ...] = ()
    """The signs by which the alarm shows; empty: whatever is seen at the place."""
    series: Slot | None = None
    """Of a drift: what has drifted."""

    @property
    def of_silence(self) -> bool:
        """Is it the silence of a whole place?"""
        return "pole_silent" in self.shown_by


class Known(Protocol):
    """What signs are gathered from; attributes or properties of the daemon's memory."""

    @property
    def plan(self) -> Plan: ...  # noqa: D102  # a plain field
    @property
    def topology(self) -> Topology: ...  # noqa: D102  # a plain field
    @property
    def budget(self) -> SiteBudget: ...  # noqa: D102  # a plain field
    @property
    def latest(self) -> Latest: ...  # noqa: D102  # a plain field
    @property
    def norms(self) -> Norms: ...  # noqa: D102  # a plain field
    @property
    def margins(self) -> Mapping[Slot, Margin]: ...  # noqa: D102  # a plain field
    @property
    def book(self) -> Book: ...  # noqa: D102  # a plain field
    @property
    def watches(self) -> Mapping[str, Watch]: ...  # noqa: D102  # a plain field
    @property
    def explained(self) -> Explained: ...  # noqa: D102  # a plain field
    @property
    def before(self) -> Mapping[str, Before]: ...  # noqa: D102  # a plain field
    @property
    def gasps(self) -> Mapping[str, float]: ...  # noqa: D102  # a plain field
    @property
    def verdicts(self) -> Mapping[Slot, Verdict]: ...  # noqa: D102  # a plain field
    @property
    def silences(self) -> Mapping[str, Silence]: ...  # noqa: D102  # a plain field
    @property
    def visits(self) -> Mapping[str, float]: ...  # noqa: D102  # a plain field
