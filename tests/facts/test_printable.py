"""One harmless line: held against the Unicode database of the standard library, not against our own expressions."""

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from monitor.facts.printable import lines, one_line

HOSTILE = st.text(
    st.one_of(
        st.characters(),
        st.sampled_from("\x1b\x9b\x9d\x07\x08\r\n\v\f\t\x85\u2028\u2029\u202e\u2066\u2069\u200b\u200d\ufeff\u00ad"),
    )
)


def unseen(text: str) -> list[str]:
    """Control, format, surrogate, private and unassigned characters, and separators of lines (Unicode, 4-4)."""
    return [one for one in text if unicodedata.category(one) in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}]


@given(HOSTILE)
def test_one_line_has_nothing_unseen_and_no_end_of_line(text: str) -> None:
    made = one_line(text)
    assert unseen(made) == []
    assert len(made.splitlines()) <= 1
    assert one_line(made) == made, "what is clean stays as it is"


@given(HOSTILE, st.integers(1, 40))
def test_it_is_as_short_as_asked(text: str, most: int) -> None:
    assert len(one_line(text, most)) <= most


@given(HOSTILE)
def test_lines_keep_their_feeds_and_tabs_alone(text: str) -> None:
    made = lines(text)
    assert set(unseen(made.replace("\r\n", "\n"))) <= {"\n", "\t"}
    assert made.count("\n") == text.count("\n")


def test_what_people_write_in_any_script_stays() -> None:
    for text in ("Müller: Zaun 3 geprüft", "鹤塘 2 号杆", "кабель 12 м", "سلك", "10 °C, ½ m, “quoted”"):
        assert one_line(text) == lines(text) == text
