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


def resolution_words(usual_s: float, latest_s: float, lacking: int) -> str:
    """How dense the readings behind a line are, and how many between the first and the last are not there.

    >>> resolution_words(3600, 60, 0), resolution_words(86_400, 86_400, 117), resolution_words(0, 0, 0)
    ('One reading an hour, lately one a minute.', 'One reading a day; 117 days are missing.', 'Nothing yet.')
    >>> resolution_words(15, 15, 1)
    'One reading in 15 seconds; one is missing.'
    """
    if not usual_s:
        return say("Nothing yet.")
    each = _each(usual_s)
    if latest_s < 0.7 * usual_s:
        each = say("{usual}, lately one {latest}", usual=each, latest=_each(latest_s))
    if not lacking:
        return say("One reading {each}.", each=each)
    if usual_s >= _NEARLY_A_DAY_S:
        if lacking == 1:
            return say("One reading {each}; one day is missing.", each=each)
        return say("One reading {each}; {count} days are missing.", each=each, count=lacking)
    if lacking == 1:
        return say("One reading {each}; one is missing.", each=each)
    return say("One reading {each}; {count} are missing.", each=each, count=lacking)


_NEARLY_A_DAY_S = 0.95 * 86_400
_EACH = {60: say("a minute"), 3600: say("an hour"), 86_400: say("a day"), 7 * 86_400: say("a week")}


def _each(seconds: float) -> str:
    known = _EACH.get(round(seconds))
    if known is not None:
        return known
    if seconds < 120:
        return say("in {seconds:.0f} seconds", seconds=seconds)
    if seconds < 2 * 3600:
        return say("in {minutes:.0f} minutes", minutes=seconds / 60)
    if seconds < 2 * 86_400:
        return say("in {hours:.0f} hours", hours=seconds / 3600)
    return say("in {days:.0f} days", days=seconds / 86_400)


def loads_in_words(loads: Sequence[LoadView]) -> str:
    """All loads of a place in few words: those that do not answer by name."""
    if loads and all(load.state == "not seen" for load in loads):
        return say("{count} not seen", count=len(loads))
    broken: list[str] = [
        say("{load}: {what}", load=load.name, what=load.state) for load in loads if load.state != "answers"
    ]
    fine = len(loads) - len(broken)
    return listed([*broken, *([say("{fine} of {count} answer", fine=fine, count=len(loads))] if fine else [])])
