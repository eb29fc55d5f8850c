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
