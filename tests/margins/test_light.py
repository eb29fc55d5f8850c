"""Where light was lost: by direction and colour, as the trade tells it (common practice; G.652 for the colours)."""

import math

import pytest

from monitor.margins.light import Lost, Span, lost, whence

BIDI = (1310.0, 1490.0)
CASES = [
    ("dirt costs both colours alike", Lost(1310, 0.0, 1.9), Lost(1490, 0.0, 2.1), "connector"),
    ("a bend costs the long one more", Lost(1490, 0.0, 3.1), Lost(1310, 0.0, 1.2), "bend"),
    ("a laser sends less, the way is as it was", Lost(1310, 1.4, 0.1), Lost(1490, 0.0, 0.0), "transmitter"),
    ("one of two fibres", Lost(1310, 0.0, 2.0), Lost(1310, 0.0, 0.1), "one fibre"),
    ("one receiver", Lost(1310, 0.0, 2.0), Lost(1490, 0.0, 0.1), "receiver"),
    ("nothing", Lost(1310, 0.1, 0.2), Lost(1490, 0.0, 0.1), "nothing"),
    ("one end does not tell", Lost(1310, None, None), Lost(1490, 0.0, 2.0), "not known"),
]


@pytest.mark.parametrize(("inward", "outward", "where"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_whence(inward: Lost, outward: Lost, where: str) -> None:
    assert whence(inward, outward) == where


def test_a_span_is_what_was_sent_less_what_arrives() -> None:
    before, now = Span(1310, -5.5, -9.0), Span(1310, -5.6, -11.2)
    found = lost(before, now)
    assert found.sent_db == pytest.approx(0.1)
    assert found.span_db == pytest.approx(2.1)


def test_no_light_and_no_reading_are_no_loss() -> None:
    assert Span(1310, -5.5, -math.inf).loss_db is None
    assert lost(Span(1310, None, -9.0), Span(1310, -5.5, -9.0)).span_db is None
