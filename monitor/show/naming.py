"""How pages name margins, the density of readings, and the loads of a place."""

from collections.abc import Sequence

from monitor.facts.resources import tail_of
from monitor.facts.words import listed, say
from monitor.show.views import LoadView, MarginView

_WORDS = {
    "rx_dbm": say("light in port {part}"),
    "input_volts": say("volts at the switch"),
    "poe_total_watts": say("PoE, all ports"),
    "port_watts": say("watts of port {part}"),
    "supply_volts": say("volts of {part}"),
    "feeder_amperes": say("amperes of the feeder"),
}


def what(margin: MarginView) -> str:
    """A margin's name for people."""
    known = _WORDS.get(margin.quantity)
    return say(known.pattern, part=tail_of(margin.resource)) if known else margin.quantity.replace("_", " ")


def resolution_words(usual_s: float, latest_s: float, missed: int) -> str:
    """How dense the readings behind a line are.

    >>> resolution_words(3600, 60, 0), resolution_words(60, 60, 3), resolution_words(0, 0, 0)
    ('hourly readings, at the end each minute', 'readings each minute; 3 missing', 'no readings')
    """
    if not usual_s:
        return say("no readings")
    words = say("hourly readings") if round(usual_s) == 3600 else say("readings {each}", each=_each(usual_s))
    if latest_s < 0.7 * usual_s:
        words = say("{readings}, at the end {each}", readings=words, each=_each(latest_s))
    return say("{readings}; {count} missing", readings=words, count=missed) if missed else words


def _each(seconds: float) -> str:
    return say("each minute") if round(seconds) == 60 else say("each {seconds:.0f} s", seconds=seconds)


def loads_in_words(loads: Sequence[LoadView]) -> str:
    """All loads of a place in few words: those that do not answer by name."""
    if loads and all(load.state == "not seen" for load in loads):
        return say("{count} not seen", count=len(loads))
    broken: list[str] = [
        say("{load}: {what}", load=load.name, what=load.state) for load in loads if load.state != "answers"
    ]
    fine = len(loads) - len(broken)
    return listed([*broken, *([say("{fine} of {count} answer", fine=fine, count=len(loads))] if fine else [])])
