"""The layers of a load, from its power to its picture: the first that is broken is what people are told."""

from dataclasses import dataclass
from enum import Enum
from typing import Final

from monitor.facts import resources
from monitor.facts.latest import Latest
from monitor.facts.readings import Slot, State
from monitor.facts.states import POE_FAULTS, IfOperStatus
from monitor.facts.states import PethPsePortDetectionStatus as Poe
from monitor.facts.streams import StreamState
from monitor.facts.words import Said, say
from monitor.plan.parts import Load

_IDLE_WATTS = 0.3
"""Below this a port feeds nothing that works (common practice, no source)."""


class Layer(Enum):
    """The layers of a load, lowest first, as people read them."""

    WATTS = "watts"
    LINK = "link"
    ADDRESS = "address"
    PING = "ping"
    CONNECTION = "connection"


LAYER_WORDS: Final = {
    Layer.WATTS: say("watts"),
    Layer.LINK: say("link"),
    Layer.ADDRESS: say("address"),
    Layer.PING: say("ping"),
    Layer.CONNECTION: say("connection"),
}
"""Layer → how a sentence names it."""


@dataclass(frozen=True, slots=True)
class Broken:
    """The first broken layer, and what that means."""

    layer: Layer
    words: Said


@dataclass(frozen=True, slots=True)
class Layers:
    """What is known of a load, lowest layer first. None: not known, so it says nothing."""

    poe_state: float | None = None
    watts: float | None = None
    link_state: float | None = None
    speed_megabits_per_s: float | None = None
    station: bool | None = None
    """Has the switch learnt an address behind the port?"""
    ping: bool | None = None
    tcp: bool | None = None
    refused: bool = False
    """Does it answer the connection by refusing it?"""

    @property
    def answers(self) -> bool | None:
        """Does it answer in the highest way in which it was asked? None where it was not asked."""
        return False if self.refused else self.ping if self.tcp is None else self.tcp


REFUSED: float = 2
"""``tcp_state`` of a connection that is refused; 1 is one that is taken."""
FRESH_ROUNDS = 3.0
"""For so many rounds what a port said counts as how it is now."""


def layers_of(latest: Latest, pole: str, load: Load, since_s: float, station: bool | None = None) -> Layers:
    """What is known of a load at a pole. What its port said before ``since_s`` (UTC seconds) is not known any more;
    ``station`` says whether the switch has learnt an address behind the port."""
    port, resource = resources.port(pole, load.port), resources.load(pole, load.name)
    ping, tcp = latest.reading(Slot(resource, "ping_seconds")), latest.reading(Slot(resource, "tcp_state"))
    poe_state, watts, link, speed = [latest.value(Slot(port, name), since_s) for name in _AT_PORT]
    return Layers(
        poe_state,
        watts,
        link,
        speed,
        station,
        None if ping is None else ping.state is State.SEEN,
        None if tcp is None else tcp.state is State.SEEN,
        tcp is not None and tcp.value == REFUSED,
    )


_AT_PORT = ("poe_port_state", "port_watts", "link_state", "speed_megabits_per_s")


def broken(port: str, known: Layers) -> Broken | None:
    """The lowest broken layer of a load; None where it answers, or nothing that is known of it is broken."""
    if known.answers:
        return None
    found = first_broken(port, known)
    return None if known.answers is None and found.layer is Layer.CONNECTION else found


def first_broken(port: str, known: Layers) -> Broken:
    """Of a load that does not answer: the lowest layer that is broken, and what that means.

    >>> first_broken("1", Layers(poe_state=2, watts=0.0)).words
    'its port 1 finds nothing to feed: cable, plug or the device itself'
    """
    words = _unpowered(port, known)
    if words is not None:
        return Broken(Layer.WATTS, words)
    fed = say("") if known.watts is None else say(" (it draws {watts:.1f} W)", watts=known.watts)
    return _powered(port, known, fed)


def _unpowered(port: str, known: Layers) -> Said | None:
    """What is wrong with its power; None where nothing is known to be."""
    if known.poe_state in POE_FAULTS:
        return say("its port {port} reports a PoE fault: a short, water in the gland, or the device", port=port)
    if known.poe_state == Poe.SEARCHING:
        return say("its port {port} finds nothing to feed: cable, plug or the device itself", port=port)
    if known.poe_state not in (None, Poe.DELIVERING_POWER):
        return say("its port {port} gives no power: it is switched off at the switch", port=port)
    if known.watts is not None and known.watts < _IDLE_WATTS and known.poe_state == Poe.DELIVERING_POWER:
        words = "its port {port} is on and it draws {watts:.1f} W: the device does not start"
        return say(words, port=port, watts=known.watts)
    return None


def _powered(port: str, known: Layers, fed: Said) -> Broken:
    """What is wrong above the power."""
    if known.link_state is not None and known.link_state != IfOperStatus.UP:
        words = "it has power{fed} and no link on port {port}: a bad pair or plug, or it is restarting"
        return Broken(Layer.LINK, say(words, fed=fed, port=port))
    if known.station is False:
        return Broken(Layer.ADDRESS, say("it has power{fed} and link, and sends nothing: its software hangs", fed=fed))
    if known.ping is False and known.tcp is not True:
        return Broken(Layer.PING, _unanswered(port, known, fed))
    return Broken(Layer.CONNECTION, _unconnected(known, fed))


def _unanswered(port: str, known: Layers, fed: Said) -> Said:
    if known.link_state == IfOperStatus.UP:
        return say("it has power{fed} and link and does not answer: its software, or it has another address", fed=fed)
    return say("it does not answer; what its port {port} says is not known", port=port)


def _unconnected(known: Layers, fed: Said) -> Said:
    if known.refused:
        return say("it answers and refuses the connection")
    if known.tcp is False and known.ping:
        return say("it answers ping{fed} and no connection: its service hangs; cycle the port once", fed=fed)
    if known.tcp is False and known.link_state == IfOperStatus.UP:
        words = "it has power{fed} and link, and takes no connection: its service hangs; cycle the port once"
        return say(words, fed=fed)
    return say("it does not answer")


_STREAM = {
    StreamState.NO_CONNECTION: say("no connection to its stream's port"),
    StreamState.NO_RTSP: say("its stream service does not answer"),
    StreamState.LOG_IN_REFUSED: say("it refuses our name or password"),
    StreamState.NO_SUCH_STREAM: say("the stream of the plan is not there"),
    StreamState.NOT_SET_UP: say("the stream cannot be set up"),
    StreamState.NOT_PLAYING: say("the stream does not play"),
    StreamState.NOTHING_COMES: say("it plays and sends no picture"),
    StreamState.PASSWORD_IN_CLEAR: say(
        "it asks for the password in clear (Basic), and farpole does not send it; set the camera to Digest"
    ),
    StreamState.LOG_IN_UNKNOWN: say("it asks for a way of logging in that farpole does not know; set it to Digest"),
}


def stream_words(state: float) -> str:
    """What a stream check has found, by the numbers of the quantity ``stream_state``."""
    return _STREAM.get(StreamState(int(state)), say("alive"))
