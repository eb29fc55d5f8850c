"""The acceptance sheet of a pole as a PDF."""

from monitor.facts.words import ENGLISH, Tongue, listed, say
from monitor.show.paper import Writer, compiled
from monitor.show.turnup import Sheet, step_words


def sheet_pdf(sheet: Sheet, tongue: Tongue = ENGLISH) -> bytes:
    """The acceptance sheet of a pole, to be signed. Raises Lacking."""
    return compiled(_SheetPaper(sheet, tongue).source(), {})


class _SheetPaper(Writer):
    """An acceptance sheet on its way to paper."""

    def __init__(self, sheet: Sheet, tongue: Tongue) -> None:
        super().__init__(tongue)
        self._sheet = sheet

    def source(self) -> str:
        """All of it."""
        sheet, said = self._sheet, self.said
        heads = [say("What"), say("Before"), say("By day"), say("After dusk"), say("The plan expects"), say("Limits")]
        rows = [
            [
                r.what,
                r.before or "–",
                r.day or "–",
                r.night or "–",
                r.expected or "–",
                listed([r.limits, r.source], " "),
            ]
            for r in sheet.rows
        ]
        lines = [*self.begin(sheet.title), said(sheet.made), ""]
        lines += [said(say("Place: {place}.", place=sheet.place)), ""] if sheet.place else []
        lines += [self.head(say("Outside, and why")), *(f"- {said(line)}" for line in sheet.outside)]
        lines += [] if sheet.outside else [said(say("Nothing is outside."))]
        columns = "(1.6fr, 0.9fr, 0.9fr, 0.9fr, 1.2fr, 1.8fr)"
        lines += [self.head(say("Item by item")), self.table(columns, [*heads], rows)]
        if sheet.day.steps:
            lines += [self.head(say("By steps of the load")), *(f"- {said(step_words(s))}" for s in sheet.day.steps)]
        facts = [[name, text or say("not told")] for name, text in sheet.day.facts]
        lines += [self.head(say("What is there")), self.table("(1fr, 2fr)", [say("What"), say("Told")], facts)]
        lines += [said(listed(sheet.cautions, " ")), "#v(4em)"]
        signs = ", ".join(
            f"[#line(length: 100%) {said(w)}]" for w in (say("Handed over by, date"), say("Accepted by, date"))
        )
        return "\n".join([*lines, f"#grid(columns: (1fr, 1fr), gutter: 2em, {signs})"])
