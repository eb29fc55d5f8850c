"""Text of people and devices as one harmless line: nothing in it moves a cursor, turns writing round, or hides.

Escape sequences begin with a control character (ECMA-48: C0 and C1, Unicode category Cc); the marks that turn the order
of writing or take no room are format characters (category Cf; UAX #9 for U+202A to 202E and U+2066 to 2069).
"""

import re
from typing import Final

SHOWN_AS: Final = "·"
_BREAKS: Final = re.compile(r"\s*[\n\r\v\f\x1c-\x1e\x85\u2028\u2029]\s*")
"""Every boundary of lines that Unicode knows (UAX #14, classes BK, CR, LF and NL), with the blanks around it."""
_NEWLINES: Final = re.compile(r"\r\n|\n")


def one_line(text: str, most: int | None = None) -> str:
    r"""One printable line: a line's end becomes a stroke, a blank a space, anything else unseen a dot.

    With ``most``, at most so many characters; what is cut ends in "…".

    >>> one_line("changed the fuse\n\n10 A ")
    'changed the fuse / 10 A'
    >>> one_line("\x1b[2Jall is well\u202e"), one_line("creek" * 9, 8)
    ('·[2Jall is well·', 'creekcr…')
    """
    if not text.isprintable() or text != text.strip():
        text = "".join(map(_seen, _BREAKS.sub(" / ", text.strip()))).strip()
    return text if most is None or len(text) <= most else f"{text[: most - 1]}…"


def _seen(one: str) -> str:
    if one.isprintable():
        return one
    return " " if one.isspace() else SHOWN_AS


def lines(text: str) -> str:
    r"""Printable text that keeps its line feeds (also "\r\n") and tabs, for a terminal or a log.

    >>> lines("creek\tsilent\n\x9b31mridge")
    'creek\tsilent\n·31mridge'
    """
    if text.isprintable():
        return text
    kept = _NEWLINES.split(text)
    ends = _NEWLINES.findall(text)
    shown = ["".join(one if one == "\t" else _visible(one) for one in line) for line in kept]
    return "".join(line + end for line, end in zip(shown, [*ends, ""], strict=True))


def _visible(one: str) -> str:
    """A blank of any width stays what it is; a line's end that is none of ours does not."""
    return one if one.isprintable() or (one.isspace() and not _BREAKS.fullmatch(one) and one > "\x1f") else SHOWN_AS
