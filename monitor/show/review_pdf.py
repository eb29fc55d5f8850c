"""The review as a PDF for paper, by typst: tagged, with a text layer; drawings go in as SVG."""

import tempfile
from pathlib import Path

from monitor.show.month import Month
from monitor.show.review_page import number


class Lacking(RuntimeError):
    """The extra that typesets is not installed; the message says how to get it."""


def pdf(month: Month) -> bytes:
    """The whole document. Raises Lacking."""
    try:
        import typst
    except ImportError:
        raise Lacking("PDFs need the extra 'review' (pip install 'farpole[review]'); HTML needs nothing") from None
    with tempfile.TemporaryDirectory(prefix="farpole-review-") as folder:
        main = Path(folder) / "main.typ"
        main.write_text(source(month), encoding="utf-8")
        for i, s in enumerate(month.series):
            if s.drawing:
                main.with_name(f"drawing-{i}.svg").write_text(_styled(s.drawing), encoding="utf-8")
        return bytes(typst.compile(main, root=Path(folder), format="pdf", pdf_tags=True))


def _styled(svg: str) -> str:
    """A drawing with the ink that its style sheet would give it on a page."""
    style = (
        "<style>text{font-size:13px;fill:#161616}.small{font-size:12px;fill:#5c5c5c}"
        "line,polyline{stroke:#161616;stroke-width:1.2;fill:none}.range{fill:#d9d9d9;stroke:none}"
        ".limit-line{stroke-dasharray:6 4}</style>"
    )
    head, _, rest = svg.partition(">")
    return f'{head} xmlns="http://www.w3.org/2000/svg">{style}{rest}'


def _say(text: str) -> str:
    """Text as a typst string, which nothing in it can leave."""
    return '#"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ") + '"'


def _table(columns: str, heads: list[str], rows: list[list[str]]) -> str:
    head = ", ".join(f"[#text(fill: luma(90))[{_say(h)}]]" for h in heads)
    body = ",\n".join(", ".join(f"[{_say(cell)}]" for cell in row) for row in rows)
    look = "stroke: (x, y) => (bottom: 0.5pt + luma(180)), inset: (x: 3pt, y: 4pt), align: left"
    return f"#table(columns: {columns}, {look},\ntable.header({head}),\n{body})\n"


def source(month: Month) -> str:
    """The document in typst's own language; every word of ours or of a plan goes in as a string."""
    title = f"{month.site}: review of {month.month}"
    lines = [
        f"#set document(title: {_say(title)[1:]})",
        '#set page(paper: "a4", margin: (x: 16mm, y: 16mm), numbering: "1")',
        '#set text(size: 9.5pt, lang: "en")',
        "#show heading: set block(above: 1.2em, below: 0.6em)",
        f"= {_say(title)}",
        f'#text(size: 12pt, weight: "bold")[{_say(month.headline)}]',
        "",
        _say(
            f"{month.from_date} to {month.to_date}, made {month.made}. Series are judged as they stood on the last day."
        ),
    ]
    for i, visit in enumerate(month.visits, 1):
        lines += [f"== {_say(f'{i}. {visit.pole}')}", *(f"- {_say(line)}" for line in visit.why)]
        if visit.look_first:
            lines.append(f"/ Check first: {_say(visit.look_first)}")
        lines += [f"/ Take along: {_say(', '.join(visit.bring))}"]
        lines += [
            f"/ {label}: {_say(text)}" for label, text in (("Place", visit.place), ("Access", visit.access)) if text
        ]
        lines += [f"/ Caution: {_say(' '.join(visit.cautions))}"] if visit.cautions else []
    lines += ["== Availability", _available(month), "== Margins over months", _series(month)]
    for i, s in enumerate(month.series):
        if s.drawing:
            picture = f'image("drawing-{i}.svg", width: 100%, alt: {_say(s.drift)[1:]})'
            lines.append(f"#figure({picture}, caption: [{_say(f'{s.words}, {s.name}')}])")
    lines += ["== Figures against the design", _figures(month), "== Alarms", _alarms(month)]
    lines += ["== What was done", *(f"- {_say(', '.join(row))}" for row in month.repairs or [("nothing was noted",)])]
    lines += ["== What could not be measured", *(f"- {_say(line)}" for line in month.not_measured or ("nothing",))]
    lines += ["== Next month's work", *(f"+ {_say(line)}" for line in month.work or ("nothing that cannot wait",))]
    return "\n".join([*lines, "", _say("Local codes and licensed practice prevail over this list.")])


def _available(month: Month) -> str:
    heads = ["Pole", "Answered", "Power, min", "Path, min", "Not known, min", "Not measured"]
    rows = [
        [
            one.pole,
            "not asked" if one.percent is None else f"{one.percent:.2f} %",
            *(f"{m:.0f}" for m in (one.power_minutes, one.path_minutes, one.unknown_minutes)),
            f"{one.not_measured_percent:.0f} % of days",
        ]
        for one in month.available
    ]
    return _table("(1.2fr, 1fr, 1fr, 1fr, 1fr, 1fr)", heads, rows)


def _series(month: Month) -> str:
    heads = ["Series", "Now", "Baseline", "Limit, from", "Used", "Slope, 95 %", "Left (1 in 10 before, after)"]
    rows = [
        [
            f"{s.words} ({s.name})",
            number(s.now, s.unit),
            f"{number(s.baseline, s.unit)} {s.baseline_from}".strip(),
            f"{number(s.limit, s.unit)} ({s.limit_source})",
            "–" if s.used_percent is None else f"{s.used_percent:.0f} %",
            s.slope or "–",
            s.left + (f": {s.why}" if s.why else ""),
        ]
        for s in month.series
    ]
    return _table("(1.6fr, 0.8fr, 1fr, 1.4fr, 0.5fr, 1.1fr, 1.3fr)", heads, rows)


def _figures(month: Month) -> str:
    rows = [
        [f.pole, f.what, number(f.low, f.unit), number(f.high, f.unit), number(f.limit, f.unit), f.source]
        for f in month.figures
    ]
    return _table("(1fr, 1.3fr, 1fr, 1fr, 1fr, 1.6fr)", ["Pole", "Figure", "Lowest", "Highest", "Limit", "From"], rows)


def _alarms(month: Month) -> str:
    a = month.alarms
    said = (
        f"{a.raised} raised, {a.per_day:.2f} a day; at most {a.most_in_ten_minutes} in ten minutes; {a.floods} floods "
        f"({a.flooded_percent:.2f} % of the time); {len(a.chattering)} chattering; {len(a.stale)} stood over "
        "a day. Floods are more than ten in ten minutes (ISA-18.2, EEMUA 191)."
    )
    rows = [[f"{f.resource}: {f.type}", f.severity, f.since, f.lasted, f.text, f.settled or "–"] for f in month.faults]
    heads = ["What", "Severity", "Since", "Lasted", "Said", "Settled"]
    table = _table("(1.2fr, 0.6fr, 0.8fr, 0.6fr, 2fr, 1fr)", heads, rows) if rows else _say("No alarm was raised.")
    return f"{_say(said)}\n\n{table}"
