"""The review as a PDF for paper, by typst: tagged, with a text layer; drawings go in as SVG."""

from zoneinfo import ZoneInfo

from monitor.facts.words import ENGLISH, Tongue, listed, say
from monitor.show.month import Month, Visit
from monitor.show.over_time import over_time
from monitor.show.paper import Writer, compiled
from monitor.show.year import Year


def pdf(month: Month, tongue: Tongue = ENGLISH) -> bytes:
    """The whole document. Raises Lacking."""
    zone, drawings = ZoneInfo(month.timezone), dict[str, str]()
    for i, s in enumerate(month.series):
        if s.chart is not None:
            drawings[f"drawing-{i}.svg"] = _styled(s.drawing or str(over_time(s.chart, zone, tongue)))
    return compiled(source(month, tongue), drawings)


def year_pdf(year: Year, tongue: Tongue = ENGLISH) -> bytes:
    """A year on paper, across. Raises Lacking."""
    return compiled(_YearPaper(year, tongue).source(), {})


class _YearPaper(Writer):
    """One year on its way to paper."""

    def __init__(self, year: Year, tongue: Tongue) -> None:
        super().__init__(tongue)
        self._year = year

    def source(self) -> str:
        """All of it."""
        year, said = self._year, self.said
        title = say("{site}: the year {year}", site=year.site, year=year.year)
        lines = [*self.begin(title, across=True), "#set text(size: 7.5pt)", said(year.headline)]
        share = f"(1.4fr, {'1fr, ' * len(year.months)}1fr, 1.4fr)"
        percents = [
            [a.pole, *("–" if p is None else say("{percent:.2f} %", percent=p) for p in a.months), "", ""]
            for a in year.available
        ]
        heads = [say("Pole"), *year.names, "", ""]
        lines += [self.head(say("Availability")), self.table(share, heads, percents)]
        rows = [
            [
                listed([s.last.words, s.last.name], ", "),
                *(self.number_of(value, "") for value in s.months),
                self.number_of(s.last.limit, s.last.unit),
                s.last.left,
            ]
            for s in year.series
        ]
        heads = [say("Series"), *year.names, say("Limit"), say("Left (1 in 10 before, after)")]
        lines += [self.head(say("Margins over the months")), self.table(share, heads, rows)]
        alarms = [[f"{a.resource}: {a.type}", str(a.count), listed(a.settled)] for a in year.alarms]
        heads = [say("What"), say("How often"), say("Settled")]
        lines += [self.head(say("Alarms")), self.table("(2fr, 1fr, 3fr)", heads, alarms)] if alarms else []
        done = [listed(row, ", ") for month in year.months for row in month.repairs] or [say("Nothing was noted.")]
        lines += [self.head(say("What was done")), *(f"- {said(line)}" for line in done)]
        return "\n".join([*lines, "", said(say("Local codes and licensed practice prevail over this list."))])


def _styled(svg: str) -> str:
    """A drawing with the ink that its style sheet would give it on a page."""
    style = (
        "<style>text{font-size:13px;fill:#161616}.small{font-size:12px;fill:#5c5c5c}"
        "line,polyline{stroke:#161616;stroke-width:1.2;fill:none}.range{fill:#d9d9d9;stroke:none}"
        ".limit-line{stroke-dasharray:6 4}.baseline-line{stroke:#5c5c5c;stroke-dasharray:2 3}"
        ".repair-line{stroke:#5c5c5c}.range-line{stroke:#d9d9d9}.dot{fill:#161616}"
        ".fan{fill:#f0e2b0;stroke:none}.fan-line{stroke-dasharray:3 3}</style>"
    )
    if 'class="marks"' in svg:
        return svg  # a chart has its ink in itself
    head, _, rest = svg.partition(">")
    return f'{head} xmlns="http://www.w3.org/2000/svg">{style}{rest}'


def source(month: Month, tongue: Tongue = ENGLISH) -> str:
    """The document in typst's own language; every word of ours or of a plan goes in as a string."""
    return _Paper(month, tongue).source()


class _Paper(Writer):
    """One review on its way to paper."""

    def __init__(self, month: Month, tongue: Tongue) -> None:
        super().__init__(tongue)
        self._month = month

    def source(self) -> str:
        """All of it."""
        month, said = self._month, self.said
        title = say("{site}: review of {month}", site=month.site, month=month.month)
        span = {"begin": month.from_date, "end": month.to_date}
        judged: str = say("{begin} to {end}. Each series is judged as it stood on the last day.", **span)
        if month.as_of:
            so_far = say("The month is not over: this is how it stood on {at}.", at=month.as_of)
            judged = listed([judged, so_far], " ")
        lines = [
            *self.begin(title),
            f'#text(size: 12pt, weight: "bold")[{said(month.headline)}]',
            "",
            said(judged),
        ]
        for i, visit in enumerate(month.visits, 1):
            lines += self._visit(i, visit)
        lines += [self.head(say("Availability")), self._available()]
        lines += [self.head(say("Margins over months")), self._series()]
        for i, s in enumerate(month.series):
            if s.chart is not None:
                picture = f'image("drawing-{i}.svg", width: 100%, alt: {said(s.drift)[1:]})'
                lines.append(f"#figure({picture}, caption: [{said(listed([s.words, s.name], ', '))}])")
        lines += [self.head(say("Figures against the design")), self._figures()]
        lines += [self.head(say("Alarms")), self._alarms(), *self._lists()]
        return "\n".join([*lines, "", said(say("Local codes and licensed practice prevail over this list."))])

    def _visit(self, number: int, visit: Visit) -> list[str]:
        said = self.said
        lines = [f"== {said(f'{number}. {visit.pole}')}", *(f"- {said(line)}" for line in visit.why)]
        rows = [
            (say("Check first"), visit.look_first),
            (say("Take along"), listed(visit.bring, ", ")),
            (say("Place"), visit.place),
            (say("Access"), visit.access),
            (say("Caution"), listed(visit.cautions, " ")),
        ]
        return lines + [f"/ {said(label)}: {said(text)}" for label, text in rows if text]

    def _lists(self) -> list[str]:
        month, said = self._month, self.said
        done = [listed(row, ", ") for row in month.repairs] or [say("Nothing was noted.")]
        missing = (*([month.too_young] if month.too_young else []), *month.not_measured)
        missing = missing or (say("Everything that is judged was measured."),)
        work = month.work or (say("Nothing that cannot wait."),)
        return [
            self.head(say("What was done")),
            *(f"- {said(line)}" for line in done),
            self.head(say("What could not be measured")),
            *(f"- {said(line)}" for line in missing),
            self.head(say("Next month's work")),
            *(f"+ {said(line)}" for line in work),
        ]

    def _available(self) -> str:
        heads = [
            say("Pole"),
            say("Answered"),
            say("Power, min"),
            say("Path, min"),
            say("Not known, min"),
            say("Not explained, min"),
            say("Not measured"),
        ]
        rows: list[list[str]] = [
            [
                one.pole,
                say("not asked") if one.percent is None else say("{percent:.2f} %", percent=one.percent),
                *(f"{m:.0f}" for m in (one.power_minutes, one.path_minutes, one.unknown_minutes)),
                f"{one.not_explained_minutes:.0f}",
                say("{percent:.0f} % of the time", percent=one.not_measured_percent),
            ]
            for one in self._month.available
        ]
        return self.table("(1.2fr, 1fr, 1fr, 1fr, 1fr, 1fr, 1fr)", heads, rows)

    def _series(self) -> str:
        heads = [
            say("Series"),
            say("Now"),
            say("Baseline"),
            say("Limit, from"),
            say("Used"),
            say("Slope, 95 %"),
            say("Left (1 in 10 before, after)"),
        ]
        rows: list[list[str]] = [
            [
                listed([s.words, s.name], ", "),
                self.number_of(s.now, s.unit),
                listed([self.number_of(s.baseline, s.unit), s.baseline_from], " "),
                listed([self.number_of(s.limit, s.unit), s.limit_source], ", "),
                "–" if s.used_percent is None else say("{percent:.0f} %", percent=s.used_percent),
                s.slope or "–",
                listed([s.left, s.why], ": ") if s.why else s.left,
            ]
            for s in self._month.series
        ]
        return self.table("(1.6fr, 0.8fr, 1fr, 1.4fr, 0.5fr, 1.1fr, 1.3fr)", heads, rows)

    def _figures(self) -> str:
        heads = [say("Pole"), say("Figure"), say("Lowest"), say("Highest"), say("Limit"), say("From")]
        rows: list[list[str]] = [
            [
                f.pole,
                say(f.what),
                *(self.number_of(v, f.unit) for v in (f.low, f.high)),
                listed([self.number_of(f.limit, f.unit), *([say("past its limit")] if f.past_limit else [])], ", "),
                f.source,
            ]
            for f in self._month.figures
        ]
        return self.table("(1fr, 1.3fr, 1fr, 1fr, 1fr, 1.6fr)", heads, rows)

    def _alarms(self) -> str:
        month = self._month
        lines = [*month.alarm_lines, say("Floods are more than ten in ten minutes (ISA-18.2, EEMUA 191).")]
        rows: list[list[str]] = [
            [listed([f.resource, say(f.type)], ": "), say(f.severity), f.since, f.lasted, f.text, f.settled or "–"]
            for f in month.faults
        ]
        heads = [say("What"), say("Severity"), say("Since"), say("Lasted"), say("Said"), say("Settled")]
        none = self.said(say("No alarm was raised."))
        table = self.table("(1.2fr, 0.6fr, 0.8fr, 0.6fr, 2fr, 1fr)", heads, rows) if rows else none
        return f"{self.said(listed(lines, ' '))}\n\n{table}"
