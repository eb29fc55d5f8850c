"""Text as a hostile device or person would send it, and what must not be left of it where it is printed."""

import unicodedata

from hypothesis import strategies as st

MARKS = (
    "\x1b\x9b\x9d\x90\x07\x08\x00\x7f\r\n\v\f\x1c\x85\u2028\u2029\u202a\u202e\u2066\u2069\u200b\u200d\u200e\ufeff\u00ad"
)
HOSTILE = st.text(st.one_of(st.characters(exclude_categories=["Cs"]), st.sampled_from(MARKS)), max_size=80)
WORST = f"\x1b]0;owned\x07\x1b[2J{MARKS}no alarm stands"


def unseen(text: str, keep: str = "") -> list[str]:
    """Control, format, surrogate, private and unassigned characters, and separators of lines (Unicode, table 4-4)."""
    bad = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    return [one for one in text if unicodedata.category(one) in bad and one not in keep]
