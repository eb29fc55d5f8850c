"""What the running daemon knows and has not only in its files: one object, changed by the jobs alone."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.alarms.book import Book
from monitor.alarms.callouts import Called
from monitor.alarms.evidence import Before
from monitor.alarms.gather import Silence
from monitor.alarms.shelves import Shelf
from monitor.alarms.silence import Explained, Watch
from monitor.alarms.topology import Topology
from monitor.budgets.expected import SiteBudget
from monitor.daemon.design import Design
from monitor.devices.found import SwitchFound
from monitor.devices.questions import Script
from monitor.facts.latest import Latest
from monitor.facts.readings import Slot
from monitor.margins.judge import Judge, Margin
from monitor.margins.limits import Limit
from monitor.margins.norms import Norms
from monitor.margins.rates import Rates
from monitor.margins.verdict import Verdict
from monitor.plan.parts import Plan


@dataclass
class Memory:
    """The state of the site as far as it is known."""

    design: Design
    latest: Latest = field(default_factory=Latest)
    watches: dict[str, Watch] = field(default_factory=dict)
    explained: Explained = field(default_factory=lambda: Explained({}, {}, frozenset()))
    margins: dict[Slot, Margin] = field(default_factory=dict)
    book: Book = field(default_factory=Book)
    before: dict[str, Before] = field(default_factory=dict)
    scripts: dict[str, dict[str, Script]] = field(default_factory=dict)
    learnt: set[str] = field(default_factory=set)
    held: dict[str, dict[Slot, Margin]] = field(default_factory=dict)
    """Pole → margins of the optic towards it, until the pole's next round says whether it is there at all."""
    feeders: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    """Pole → when its feeder was last measured, volts at the pole, amperes into it."""
    stations: dict[str, tuple[float, frozenset[str]]] = field(default_factory=dict)
    """Place → when its switch was last asked, and the ports behind which it had learnt an address."""
    hurried: set[str] = field(default_factory=set)
    """Places on which a notification cast doubt: the next look at them is a quick one."""
    known: set[tuple[str, str]] = field(default_factory=set)
    """(port, hardware address) pairs that are taken as right there."""
    gasps: dict[str, float] = field(default_factory=dict)
    """Place → when its switch last said that its power is going."""
    told: dict[tuple[str, str], bool] = field(default_factory=dict)
    called: dict[tuple[str, str], Called] = field(default_factory=dict)
    """(person, alarm) → how often he was called because of it since it was raised, and when last."""
    answer_key: bytes = field(default=b"", repr=False)
    """With which links in callouts are signed."""
    notes: tuple[str, ...] = ()
    unproven: tuple[str, ...] = ()
    """To whom no message has gone lately, as lines."""
    norms: Norms = field(default_factory=Norms)
    verdicts: dict[Slot, Verdict] = field(default_factory=dict)
    """What the last nightly judgement has said of each series."""
    silences: dict[str, Silence] = field(default_factory=dict)
    """Root → what is known of its silence, kept as long as the alarm of that silence stands."""
    found: dict[str, SwitchFound] = field(default_factory=dict)
    """Place → what its switch's tables said at its last audit."""
    audited: dict[str, float] = field(default_factory=dict)
    """Place → when that was."""
    shelves: list[Shelf] = field(default_factory=list)
    """What people have shelved; the plan's seasons come beside them."""
    serials: dict[str, str] = field(default_factory=dict)
    """Optic → the serial number that it had when it was last learnt."""
    poe_rows: dict[str, dict[str, tuple[int, ...]]] = field(default_factory=dict)
    """Pole → port → its row in the PoE table of RFC 3621, as far as its switch has told."""
    more_behind: dict[str, frozenset[str]] = field(default_factory=dict)
    """Place → ports behind which more than one device was seen by the last audit."""
    visits: dict[str, float] = field(default_factory=dict)
    """Place → when somebody last noted that he did something there."""
    record: dict[str, float] = field(default_factory=dict)
    """Fault → how much likelier it is here than elsewhere, by what was settled here before."""

    rates: Rates = field(default_factory=Rates)
    judge: Judge = field(init=False)
    lit_by: dict[str, str] = field(init=False)
    """Optic at the port towards a pole → that pole, whose laser lights it."""

    def __post_init__(self) -> None:
        self.judge = Judge(self.design.limits)
        uplinks = self.design.topology.uplink
        self.lit_by = {port.replace("/port/", "/optic/"): pole for pole, port in uplinks.items()}
        for place in self.design.places:
            self.watches.setdefault(place, Watch())

    @property
    def plan(self) -> Plan:
        """The plan in force."""
        return self.design.plan

    @property
    def topology(self) -> Topology:
        """What lies behind what."""
        return self.design.topology

    @property
    def budget(self) -> SiteBudget:
        """The budgets in force."""
        return self.design.budget

    @property
    def limits(self) -> Mapping[Slot, Limit]:
        """The limits in force."""
        return self.design.limits
