"""The review of a month as one read model, which the page, the PDF and JSON render: nothing is computed in them."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from monitor.alarms.advice import ADVICE
from monitor.alarms.book import Key
from monitor.alarms.kpi import Figures
from monitor.facts.words import Said, listed, say
from monitor.show.chart import Chart
from monitor.show.views import finite


@dataclass(frozen=True, slots=True)
class Available:
    """How long a pole answered, and what took the rest [min]: together they are what the percentage leaves out.

    What was not measured is neither.
    """

    pole: str
    percent: float | None
    power_minutes: float
    path_minutes: float
    unknown_minutes: float
    """An alarm stood, and nothing settled what it was."""
    not_explained_minutes: float
    """No alarm stood at all."""
    not_measured_percent: float


@dataclass(frozen=True, slots=True)
class SeriesRow:
    """One judged series at the end of the month."""

    pole: str
    name: str
    words: str
    unit: str
    now: float | None
    lowest: float | None
    highest: float | None
    baseline: float | None
    baseline_from: str
    limit: float | None
    limit_source: str
    used_percent: float | None
    drift: str
    slope: str
    left: str
    why: str
    drawing: str = ""
    """The chart, sharpened; empty: the plain drawing stands in its place."""
    chart: Chart | None = None
    steady: bool = False
    """It was judged, and has not drifted from its baseline."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a pole against its design: the month's lowest and highest, its limit, where that is from."""

    pole: str
    what: str
    unit: str
    low: float | None
    high: float | None
    limit: float | None
    source: str
    past_limit: bool
    """It was beyond a limit at some time of the month."""


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One alarm of the month: what, since when, how long, why, how it was settled."""

    resource: str
    type: str
    severity: str
    since: str
    lasted: str
    text: str
    settled: str


@dataclass(frozen=True, slots=True)
class Visit:
    """The pole to visit first, why, and what to bring."""

    pole: str
    why: tuple[str, ...]
    fault: str
    place: str
    access: str

    @property
    def bring(self) -> tuple[str, ...]:
        """What to take along."""
        return ADVICE[self.fault].van_list if self.fault in ADVICE else (say("whatever the alarm says"),)

    @property
    def look_first(self) -> str:
        """What to look at first."""
        return ADVICE[self.fault].look_first if self.fault in ADVICE else ""

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to be careful of."""
        return ADVICE[self.fault].cautions if self.fault in ADVICE else ()


@dataclass(frozen=True, slots=True)
class Month:
    """The whole review."""

    site: str
    month: str
    from_date: str
    to_date: str
    as_of: str
    """Of a month that is not over: the time up to which it was looked at; empty where it is over."""
    visits: tuple[Visit, ...]
    available: tuple[Available, ...]
    series: tuple[SeriesRow, ...]
    figures: tuple[Figure, ...]
    faults: tuple[FaultRow, ...]
    repairs: tuple[tuple[str, str, str, str], ...]
    """Date, place, who, what."""
    alarms: Figures
    not_measured: tuple[str, ...]
    work: tuple[str, ...]
    timezone: str = "UTC"
    iso: str = ""
    """The month as ISO 8601 writes it: 2026-10."""
    lacking: str = ""
    """Why this review is not complete; empty where it is."""
    too_young: str = ""
    """What time alone will tell; empty where there is nothing of that kind."""

    @property
    def headline(self) -> str:
        """The month in one sentence."""
        if self.lacking and not self.visits:
            return say("Not complete: {why}.", why=self.lacking)
        if not self.visits:
            return say("A quiet month: no margin drifts, and nothing asks for a visit.")
        first = self.visits[0]
        return say("Visit {pole} first: {why}.", pole=first.pole, why=first.why[0])

    @property
    def alarm_lines(self) -> tuple[str, ...]:
        """The figures of ISA-18.2 in sentences."""
        a = self.alarms
        lines: list[str] = [
            say(
                "{raised} raised, {per_day:.2f} a day; at most {most} in ten minutes; {floods} floods"
                " ({flooded:.2f} % of the time); {chattering} chattering; {stale} stood for more than a day.",
                raised=a.raised,
                per_day=a.per_day,
                most=a.most_in_ten_minutes,
                floods=a.floods,
                flooded=a.flooded_percent,
                chattering=len(a.chattering),
                stale=len(a.stale),
            )
        ]
        if a.by_severity:
            by = listed([say("{severity} {count}", severity=say(name), count=n) for name, n in a.by_severity], ", ")
            lines.append(say("By severity: {severities}.", severities=by))
        if a.top_ten:
            top = listed([_often(key, n) for key, n in a.top_ten], ", ")
            words = "Most frequent ({percent:.0f} % of all): {alarms}."
            lines.append(say(words, percent=a.top_ten_percent, alarms=top))
        return tuple(lines)

    def json(self) -> dict[str, Any]:
        """Everything, for machines."""
        told: dict[str, Any] = finite(asdict(self))
        told["alarms"]["top_ten"] = [[str(key), n] for key, n in self.alarms.top_ten]
        for visit, row in zip(self.visits, told["visits"], strict=True):
            row |= {"bring": list(visit.bring), "look_first": visit.look_first, "cautions": list(visit.cautions)}
        for row in told["series"]:
            row.pop("drawing")
            row.pop("chart")
        return {**told, "headline": self.headline}


def _often(key: Key, count: int) -> Said:
    name = key.type.replace("-", " ")
    return say("{resource}: {type} ({count})", resource=key.resource, type=say(name), count=count)


def lasted(seconds: float | None) -> str:
    """How long something lasted, in the unit that suits it.

    >>> lasted(30), lasted(5400), lasted(200_000), lasted(None)
    ('30 s', '90 min', '2.3 days', 'stands')
    """
    if seconds is None:
        return say("stands")
    if seconds < 90:
        return say("{seconds:.0f} s", seconds=seconds)
    if seconds < 3 * 3600:
        return say("{minutes:.0f} min", minutes=seconds / 60)
    if seconds < 2 * 86_400:
        return say("{hours:.1f} h", hours=seconds / 3600)
    return say("{days:.1f} days", days=seconds / 86_400)


def work_list(visits: Sequence[Visit], not_measured: Sequence[str]) -> tuple[str, ...]:
    """What to do next month, in order."""
    found = [say("{pole}: {what}", pole=v.pole, what=v.look_first or v.why[0]) for v in visits]
    return (*found, *(say("find out why this is not measured: {what}", what=one) for one in not_measured))
