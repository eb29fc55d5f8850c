"""Paper by typst: tagged PDFs with a text layer. The only place with typst; what is written is our own text, quoted."""

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from monitor.facts.printable import one_line
from monitor.facts.words import Said, Tongue
from monitor.show.rendering import number


class Lacking(RuntimeError):
    """The extra that typesets is not installed; the message says how to get it."""


def compiled(source: str, drawings: Mapping[str, str]) -> bytes:
    """A document as a PDF, with drawings (name → SVG) beside it. Raises Lacking."""
    try:
        import typst
    except ImportError:
        raise Lacking("PDFs need the extra 'review' (sh deploy/install --with review); HTML needs nothing") from None
    with tempfile.TemporaryDirectory(prefix="farpole-review-") as folder:
        main = Path(folder) / "main.typ"
        main.write_text(source, encoding="utf-8")
        for name, drawn in drawings.items():
            main.with_name(name).write_text(drawn, encoding="utf-8")
        return bytes(typst.compile(main, root=Path(folder), format="pdf", pdf_tags=True))


def quoted(text: str) -> str:
    """Text as a typst string, which nothing in it can leave."""
    return '#"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ") + '"'


class Writer:
    """Typst's own language, in one language of people; every word of ours or of a plan goes in as a string."""

    def __init__(self, tongue: Tongue) -> None:
        self.tongue = tongue

    def said(self, text: str) -> str:
        """A text, quoted."""
        return quoted(one_line(self.tongue.say(text)))

    def number_of(self, value: float | None, unit: str) -> str:
        """A figure with its unit, or a dash."""
        return number(value, unit).replace(".", self.tongue.decimal)

    def table(self, columns: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
        """A table with a head."""
        head = ", ".join(f"[#text(fill: luma(90))[{self.said(h)}]]" for h in heads)
        body = ",\n".join(", ".join(f"[{self.said(cell)}]" for cell in row) for row in rows)
        look = "stroke: (x, y) => (bottom: 0.5pt + luma(180)), inset: (x: 3pt, y: 4pt), align: left"
        return f"#table(columns: {columns}, {look},\ntable.header({head}),\n{body})\n"

    def begin(self, title: Said, across: bool = False) -> list[str]:
        """Title, page and type."""
        return [
            f"#set document(title: {self.said(title)[1:]}, date: none)",
            f'#set page(paper: "a4", flipped: {str(across).lower()}, margin: (x: 16mm, y: 16mm), numbering: "1")',
            f'#set text(size: 9.5pt, lang: "{self.tongue.name.partition("_")[0]}")',
            "#show heading: set block(above: 1.2em, below: 0.6em)",
            f"= {self.said(title)}",
        ]

    def head(self, words: Said) -> str:
        """A heading."""
        return f"== {self.said(words)}"
