"""Twelve months as one view, composed of their reviews so that the two cannot disagree; and every figure as CSV."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from monitor.facts.words import Said, say
from monitor.show.month import Available, Month, SeriesRow, Visit
from monitor.show.views import finite


@dataclass(frozen=True, slots=True)
class YearSeries:
    """One judged series: what it was in each month (None: not measured), and how it stands at the year's end."""

    last: SeriesRow
    months: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class YearAvailable:
    """A pole: how much it answered in each month [%], and what took the rest over the year [min]."""

    pole: str
    months: tuple[float | None, ...]
    power_minutes: float
    path_minutes: float
    unknown_minutes: float
    not_explained_minutes: float


@dataclass(frozen=True, slots=True)
class YearAlarms:
    """One alarm type of a resource over the year: how often, and how it was settled."""

    resource: str
    type: str
    count: int
    settled: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Year:
    """The whole view; ``months`` are the reviews that it is made of, oldest first."""

    year: str
    months: tuple[Month, ...]

    @property
    def site(self) -> str:
        """Whose year it is."""
        return self.months[-1].site

    @property
    def names(self) -> tuple[str, ...]:
        """The months as they are called."""
        return tuple(one.month for one in self.months)

    @property
    def as_of(self) -> str:
        """Of a year that is not over: the time up to which it was looked at; empty where its last month is over."""
        return self.months[-1].as_of

    @property
    def visits(self) -> tuple[Visit, ...]:
        """What the last month says of visits."""
        return self.months[-1].visits

    @property
    def headline(self) -> Said | str:
        """The year in one sentence."""
        raised = sum(one.alarms.raised for one in self.months)
        repairs = sum(len(one.repairs) for one in self.months)
        words = "{raised} alarms and {repairs} repairs in {count} months. {now}"
        return say(words, raised=raised, repairs=repairs, count=len(self.months), now=self.months[-1].headline)

    @property
    def available(self) -> tuple[YearAvailable, ...]:
        """Each pole over the months."""
        return tuple(_available(one.pole, self.months) for one in self.months[-1].available)

    @property
    def series(self) -> tuple[YearSeries, ...]:
        """Each judged series over the months."""
        found = []
        for last in self.months[-1].series:
            rows = [next((s for s in month.series if s.name == last.name), None) for month in self.months]
            found.append(YearSeries(last, tuple(row.now if row else None for row in rows)))
        return tuple(found)

    @property
    def alarms(self) -> tuple[YearAlarms, ...]:
        """What was raised, the most frequent first."""
        rows: dict[tuple[str, str], list[str]] = {}
        for month in self.months:
            for fault in month.faults:
                rows.setdefault((fault.resource, fault.type), []).append(fault.settled)
        made = [YearAlarms(*key, len(s), tuple(dict.fromkeys(filter(None, s)))) for key, s in rows.items()]
        return tuple(sorted(made, key=lambda one: -one.count))

    def json(self) -> dict[str, Any]:
        """Everything, for machines."""
        told: dict[str, Any] = finite(
            {
                "site": self.site,
                "year": self.year,
                "as_of": self.as_of,
                "headline": self.headline,
                "months": list(self.names),
                "available": [asdict(one) for one in self.available],
                "series": [{**asdict(one.last), "months": one.months} for one in self.series],
                "alarms": [asdict(one) for one in self.alarms],
                "repairs": [list(row) for month in self.months for row in month.repairs],
            }
        )
        for row in told["series"]:
            row.pop("drawing")
            row.pop("chart")
        return told


def _available(pole: str, months: Sequence[Month]) -> YearAvailable:
    rows = [next((one for one in month.available if one.pole == pole), None) for month in months]
    known = [one for one in rows if one is not None]
    return YearAvailable(
        pole,
        tuple(one.percent if one else None for one in rows),
        sum(one.power_minutes for one in known),
        sum(one.path_minutes for one in known),
        sum(one.unknown_minutes for one in known),
        sum(one.not_explained_minutes for one in known),
    )


HEADS = ("month", "pole", "what", "figure", "value", "unit", "limit", "source of the limit")


def figures(months: Sequence[Month]) -> Iterator[tuple[str, ...]]:
    """Every figure of the reviews, one a row."""
    for month in months:
        for one in month.available:
            yield from (_row(month, one.pole, "availability", *rest) for rest in _of_available(one))
        for s in month.series:
            for figure, value, unit in _of_series(s):
                yield _row(month, s.pole, s.name, figure, value, unit, s.limit, s.limit_source)
        for f in month.figures:
            for figure, value in (("lowest", f.low), ("highest", f.high)):
                yield _row(month, f.pole, f.what, figure, value, f.unit, f.limit, f.source)
        a = month.alarms
        counts = {"raised": a.raised, "a day": a.per_day, "most in ten minutes": a.most_in_ten_minutes}
        counts |= {"floods": a.floods, "chattering": len(a.chattering), "stale": len(a.stale)}
        yield from (_row(month, "", "alarms", name, float(value), "") for name, value in counts.items())


def _of_available(one: Available) -> Iterator[tuple[str, float | None, str]]:
    yield "answered", one.percent, "%"
    yield "lost to power", one.power_minutes, "min"
    yield "lost to the path", one.path_minutes, "min"
    yield "lost, not known to what", one.unknown_minutes, "min"
    yield "lost, not explained by an alarm", one.not_explained_minutes, "min"
    yield "not measured", one.not_measured_percent, "% of the time"


def _of_series(s: SeriesRow) -> Iterator[tuple[str, float | None, str]]:
    yield from (("now", s.now, s.unit), ("lowest", s.lowest, s.unit), ("highest", s.highest, s.unit))
    yield "baseline", s.baseline, s.unit
    yield "margin used", s.used_percent, "%"


def _row(
    month: Month,
    pole: str,
    what: str,
    figure: str,
    value: float | None,
    unit: str,
    limit: float | None = None,
    source: str = "",
) -> tuple[str, ...]:
    written = ["" if one is None else f"{one:.6g}" for one in (value, limit)]
    return (month.iso, pole, what, figure, written[0], unit, written[1], str(source))


def as_csv(months: Sequence[Month]) -> str:
    """The figures as CSV (RFC 4180); empty where nothing was measured, never 0."""
    out = io.StringIO()
    csv.writer(out).writerows([HEADS, *figures(months)])
    return out.getvalue()
