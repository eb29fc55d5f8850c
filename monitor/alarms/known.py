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
    """What was known of a silence, gathered while it lasts: what was seen once stays, until it is seen otherwise."""

    at_s: float
    signs: Mapping[str, bool | None]


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
