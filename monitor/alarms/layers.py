"""The layers of a load, from its power to its picture: the first that is broken is what people are told."""

from dataclasses import dataclass

from monitor.facts.states import POE_FAULTS, IfOperStatus
from monitor.facts.states import PethPsePortDetectionStatus as Poe
from monitor.facts.streams import StreamState
from monitor.facts.words import say

_IDLE_WATTS = 0.3
"""Below this a port feeds nothing that works (common practice, no source)."""


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


def first_broken(port: str, known: Layers) -> str:
    """The sentence for a load that does not answer: the lowest layer that is broken, and what that means.

    >>> first_broken("1", Layers(poe_state=2, watts=0.0))
    'its port 1 finds nothing to feed: cable, plug or the device itself'
    """
    if known.poe_state in POE_FAULTS:
        return say("its port {port} reports a PoE fault: a short, water in the gland, or the device", port=port)
    if known.poe_state == Poe.SEARCHING:
        return say("its port {port} finds nothing to feed: cable, plug or the device itself", port=port)
    if known.poe_state not in (None, Poe.DELIVERING_POWER):
        return say("its port {port} gives no power: it is switched off at the switch", port=port)
    if known.watts is not None and known.watts < _IDLE_WATTS and known.poe_state == Poe.DELIVERING_POWER:
        words = "its port {port} is on and it draws {watts:.1f} W: the device does not start"
        return say(words, port=port, watts=known.watts)
    fed = say("") if known.watts is None else say(" (it draws {watts:.1f} W)", watts=known.watts)
    return _powered(port, known, fed)


def _powered(port: str, known: Layers, fed: str) -> str:
    """What is wrong above the power."""
    if known.link_state is not None and known.link_state != IfOperStatus.UP:
        words = "it has power{fed} and no link on port {port}: a bad pair or plug, or it is restarting"
        return say(words, fed=fed, port=port)
    if known.station is False:
        return say("it has power{fed} and link, and sends nothing: its software hangs", fed=fed)
    if known.ping is False and known.tcp is not True:
        if known.link_state == IfOperStatus.UP:
            words = "it has power{fed} and link and does not answer: its software, or it has another address"
            return say(words, fed=fed)
        return say("it does not answer; what its port {port} says is not known", port=port)
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
