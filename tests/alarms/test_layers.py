"""Of a load that does not answer, the first broken layer is what is told."""

import pytest

from monitor.alarms.layers import Layers, first_broken, stream_words


@pytest.mark.parametrize(
    ("known", "said"),
    [
        (Layers(poe_state=4), "PoE fault"),
        (Layers(poe_state=2, watts=0.0), "finds nothing to feed"),
        (Layers(poe_state=1), "switched off"),
        (Layers(poe_state=3, watts=0.1, link_state=2), "does not start"),
        (Layers(poe_state=3, watts=5.2, link_state=2, ping=False), "no link on port 1"),
        (Layers(poe_state=3, watts=5.2, link_state=1, station=False), "sends nothing"),
        (Layers(poe_state=3, watts=5.2, link_state=1, ping=False, tcp=False), "does not answer: its software"),
        (Layers(poe_state=3, watts=5.2, link_state=1, ping=True, tcp=False), "its service hangs"),
        (Layers(ping=False), "is not known"),
        (Layers(link_state=1, ping=True, tcp=False), "answers ping and no connection"),
        (Layers(link_state=1, watts=5.0, tcp=False), "it has power (it draws 5.0 W) and link, and takes no connection"),
        (Layers(tcp=False), "it does not answer"),
        (Layers(), "does not answer"),
    ],
)
def test_the_lowest_broken_layer_is_told(known: Layers, said: str) -> None:
    assert said in first_broken("1", known).words


def test_every_state_of_a_stream_has_words() -> None:
    assert len({stream_words(state) for state in range(1, 9)}) == 8


def test_each_layer_has_a_sentence_of_its_own_and_the_lowest_that_is_broken_speaks() -> None:
    """RFC 3621: searching(2), deliveringPower(3), fault(4), otherFault(6); RFC 2863: up(1)."""
    lowest_first = [
        Layers(poe_state=6, watts=0.0, link_state=2, station=False, ping=False, tcp=False),
        Layers(poe_state=2, watts=0.0, link_state=2, station=False, ping=False, tcp=False),
        Layers(poe_state=5, watts=0.0, link_state=2, station=False, ping=False, tcp=False),
        Layers(poe_state=3, watts=0.29, link_state=2, station=False, ping=False, tcp=False),
        Layers(poe_state=3, watts=0.3, link_state=2, station=False, ping=False, tcp=False),
        Layers(poe_state=3, watts=0.3, link_state=1, station=False, ping=False, tcp=False),
        Layers(poe_state=3, watts=0.3, link_state=1, station=True, ping=False, tcp=False),
        Layers(poe_state=3, watts=0.3, link_state=1, station=True, ping=True, tcp=False),
        Layers(poe_state=3, watts=0.3, link_state=1, station=True, ping=True, tcp=True),
    ]
    said = [first_broken("1", known) for known in lowest_first]
    assert len(set(said)) == len(said)
    assert first_broken("1", Layers(poe_state=4)) == said[0]
    assert first_broken("1", Layers(poe_state=1)) == said[2]


@pytest.mark.parametrize(
    ("known", "same_as"),
    [
        (Layers(watts=0.0), Layers()),
        (Layers(link_state=1), Layers()),
        (Layers(station=True), Layers()),
        (Layers(ping=False, tcp=True), Layers()),
        (Layers(ping=False, tcp=False), Layers(ping=False)),
        (Layers(link_state=1, ping=False), Layers(link_state=1, ping=False, tcp=False)),
        (Layers(tcp=False), Layers()),
        (Layers(ping=False, station=False), Layers(station=False)),
    ],
)
def test_what_is_not_known_says_nothing(known: Layers, same_as: Layers) -> None:
    assert first_broken("1", known) == first_broken("1", same_as)


def test_where_its_watts_are_known_they_are_said_with_what_is_broken_above_the_power() -> None:
    for known in (Layers(link_state=2), Layers(station=False), Layers(link_state=1, ping=False)):
        assert "5.2 W" in first_broken("1", Layers(3, 5.2, known.link_state, None, known.station, known.ping)).words
        assert " W" not in first_broken("1", known).words
