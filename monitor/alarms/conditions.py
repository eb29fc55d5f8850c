"""Margins, sights and port states → conditions of alarm types, with the sentence that people read."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from monitor.alarms.book import Condition, Key
from monitor.alarms.cause import Cause
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.layers import stream_words
from monitor.alarms.settlement import Settlement
from monitor.alarms.silence import GRACE_S, Explained, Sight, Watch
from monitor.alarms.states import Severity
from monitor.alarms.topology import Topology
from monitor.facts.quantities import QUANTITIES, UNITS
from monitor.facts.readings import Reading, Round, Slot, State
from monitor.facts.resources import tail_of
from monitor.facts.states import POE_FAULTS
from monitor.facts.streams import StreamState
from monitor.facts.words import Said, listed, say
from monitor.margins.judge import Margin, Standing

_TYPES = {
    ("rx_dbm", "low"): "light-low",
    ("rx_dbm", "high"): "light-high",
    ("input_volts", "low"): "volts-low",
    ("input_volts", "high"): "volts-high",
    ("supply_volts", "low"): "volts-low",
    ("supply_volts", "high"): "volts-high",
    ("poe_total_watts", "high"): "poe-watts-high",
    ("port_watts", "high"): "port-watts-high",
    ("feeder_amperes", "high"): "amperes-high",
    ("battery_volts", "low"): "battery-low",
    ("battery_percent", "low"): "battery-low",
    ("stream_kilobits_per_s", "low"): "stream-thin",
    ("stream_lost_percent", "high"): "stream-lossy",
    ("clock_offset_seconds", "low"): "clock-off",
    ("clock_offset_seconds", "high"): "clock-off",
}
_BESIDE_DB = 3.0
"""Light this far outside the plan's expectation is said (accuracy of the levels: SFF-8472, ±3 dB)."""


def of_margins(margins: Mapping[Slot, Margin], overshadowed: Mapping[str, str]) -> Iterator[Condition]:
    """What judged slots say. A slot without a value says nothing.

    ``overshadowed`` is resource → the root that explains what is read there, empty while that is undecided.
    """
    for condition in _of_margins(margins):
        root = overshadowed.get(condition.key.resource)
        if condition.severity is None or root is None:
            yield condition
        elif root:
            yield replace(condition, root=root)


def _of_margins(margins: Mapping[Slot, Margin]) -> Iterator[Condition]:
    for margin in margins.values():
        if margin.standing is Standing.NO_VALUE:
            continue
        quantity = margin.slot.quantity
        for side in ("low", "high"):
            kind = _TYPES.get((quantity, side))
            if kind:
                bad = margin.side == side and margin.standing in (Standing.CLOSE, Standing.PAST)
                yield _margin(margin, kind, bad)
        if quantity == "rx_dbm":
            beside = abs(margin.beside_plan) > _BESIDE_DB and margin.standing is Standing.INSIDE
            yield Condition(
                Key(margin.slot.resource, "light-beside-plan"), Severity.WARNING if beside else None, _beside(margin)
            )


def _margin(margin: Margin, kind: str, bad: bool) -> Condition:
    severity = None
    if bad:
        severity = INVENTORY[kind].severity if margin.standing is Standing.PAST else Severity.WARNING
    return Condition(Key(margin.slot.resource, kind), severity, _sentence(margin))


def _value(margin: Margin) -> str:
    unit = UNITS[QUANTITIES[margin.slot.quantity].unit]
    if margin.value is None:
        return say("no value")
    if margin.value == float("-inf"):
        return say("no light")
    return say("{value:.1f} {unit}", value=margin.value, unit=unit)


def _sentence(margin: Margin) -> str:
    unit = UNITS[QUANTITIES[margin.slot.quantity].unit].replace("dBm", "dB")
    if margin.margin is None or margin.margin == float("-inf"):
        return listed([_value(margin), say(margin.standing.value)], ", ")
    words = (
        say("{value}, {standing}: margin {margin:.1f} {unit} on the low side")
        if margin.side == "low"
        else say("{value}, {standing}: margin {margin:.1f} {unit} on the high side")
    )
    stands = {"standing": say(margin.standing.value), "margin": margin.margin, "unit": unit}
    return say(words.pattern, value=_value(margin), **stands)


def _beside(margin: Margin) -> str:
    value, off_db = _value(margin), abs(margin.beside_plan)
    if margin.beside_plan < 0:
        return say("{value} is {off_db:.1f} dB below what the plan expects", value=value, off_db=off_db)
    return say("{value} is {off_db:.1f} dB above what the plan expects", value=value, off_db=off_db)


def of_ports(readings: Round) -> Iterator[Condition]:
    """PoE port states, and garbled answers of the device as a whole."""
    garbled = [i for i, state in enumerate(readings.states) if state == State.GARBLED]
    for i, slot in enumerate(readings.layout.slots):
        if slot.quantity == "poe_port_state" and readings.states[i] == State.SEEN:
            fault = readings.values[i] in POE_FAULTS
            yield Condition(
                Key(slot.resource, "poe-port-fault"),
                INVENTORY["poe-port-fault"].severity if fault else None,
                say("port {port} reports a PoE fault", port=tail_of(slot.resource)),
            )
    if any(state == State.SEEN for state in readings.states) or garbled:
        first = readings.reading(garbled[0]) if garbled else None
        text = _garbled(len(garbled), first) if first else ""
        yield Condition(
            Key(readings.layout.device, "answer-garbled", readings.layout.tier),
            Severity.WARNING if garbled else None,
            text,
        )


def _garbled(count: int, first: Reading) -> str:
    seen = {"resource": first.resource, "quantity": first.quantity, "why": first.why}
    return say("{count} garbled: {resource} {quantity}: {why}", count=count, **seen)


def of_stream(readings: Round) -> Iterator[Condition]:
    """How far a camera's stream works."""
    for i, slot in enumerate(readings.layout.slots):
        if slot.quantity == "stream_state" and readings.states[i] == State.SEEN:
            state = readings.values[i]
            yield Condition(
                Key(slot.resource, "stream-broken"),
                INVENTORY["stream-broken"].severity if state != StreamState.ALIVE else None,
                say("{load}: {what}", load=tail_of(slot.resource), what=stream_words(state)),
            )


def of_sight(
    sight: Sight,
    watch: Watch,
    device: str,
    services: Mapping[str, bool],
    loads: Mapping[str, str],
    layer: Callable[[str], str] = lambda load: say("it does not answer"),
) -> Iterator[Condition]:
    """What is wrong at a place that answers: agent, credentials, loads, services.

    ``services`` says of a load whether it refused the connection; ``loads`` is load → resource; ``layer`` tells of
    a silent load the first layer that is broken. Nothing is said of a place that does not answer, nor of its
    loads before they have had time to start.
    """
    if not sight.answers:
        return
    never = sight.agent is State.SILENT and not watch.agent_ever and sight.ping is State.SEEN
    refused = sight.refused or never
    yield Condition(
        Key(device, "credentials-refused"),
        INVENTORY["credentials-refused"].severity if refused else None,
        say("it answers ping and has never answered SNMP: the community or user is wrong, or SNMP is off")
        if never
        else say("it refuses the credentials that the secrets file gives for it"),
    )
    if sight.agent is not None:
        deaf = sight.agent is State.SILENT and not refused
        yield Condition(
            Key(device, "agent-silent"),
            INVENTORY["agent-silent"].severity if deaf else None,
            say("the switch's agent is silent while what lies behind it answers"),
        )
    starting = watch.back_since_s is None or sight.at_s - watch.back_since_s < GRACE_S
    for load, state in sight.loads.items():
        silent = state is State.SILENT
        if silent and starting:
            continue
        yield Condition(
            Key(loads[load], "load-silent"),
            INVENTORY["load-silent"].severity if silent else None,
            say("{load}: {what}", load=load, what=layer(load)) if silent else "",
        )
        if load in services:
            yield Condition(
                Key(loads[load], "service-refused"),
                INVENTORY["service-refused"].severity if services[load] else None,
                say("{load} answers and refuses the connection", load=load),
            )


def of_silence(
    topology: Topology,
    watches: Mapping[str, Watch],
    explained: Explained,
    why: Callable[[str], Cause],
    settled: Callable[[str], Settlement | None],
) -> Iterator[Condition]:
    """Silent poles, supplies and the head-end. ``why`` is asked for roots only, ``settled`` for what is back
    (None: what settles it may still come)."""
    for pole in topology.above:
        key = Key(pole, "pole-silent")
        if not watches[pole].doubtful:
            what = settled(pole)
            if watches[pole].answered_s is not None and what is not None:
                yield Condition(key, None, settlement=what)
        elif pole in explained.because:
            yield Condition(key, Severity.CRITICAL, root=explained.because[pole])
        elif pole in explained.roots:
            yield of_root(key, explained.roots[pole], why(pole))
    for supply in sorted(set(topology.supply.values())):
        yield from _group(Key(f"supply/{supply}", "supply-lost"), topology.fed_by(supply), watches, explained, why)
    yield from _group(
        Key(topology.headend, "head-end-silent"), [topology.headend, *topology.above], watches, explained, why
    )


def _group(
    key: Key, members: list[str], watches: Mapping[str, Watch], explained: Explained, why: Callable[[str], Cause]
) -> Iterator[Condition]:
    if key.resource in explained.roots:
        yield of_root(key, explained.roots[key.resource], why(key.resource))
    elif any(not watches[member].doubtful for member in members):
        yield Condition(key, None)


def hiding(what: str, impacted: tuple[str, ...]) -> Said:
    """The sentence of an alarm, with the places that cannot be seen because of it."""
    return say("{what}; not seen behind it: {places}", what=what, places=", ".join(impacted))


def of_root(key: Key, impacted: tuple[str, ...], cause: Cause) -> Condition:
    """A silence that stands for itself: what cannot be seen behind it, and its cause with how sure that is."""
    what = say("{place} is silent", place=key.resource)
    if impacted:
        what = hiding(what, impacted)
    if cause.certainty == "most likely":
        text = say("{what}. Most likely {cause}.", what=what, cause=cause.sentence)
    else:
        text = say("{what}. Cannot be told from here: {cause}.", what=what, cause=cause.sentence)
    return Condition(key, Severity.CRITICAL, text, impacted=impacted, cause=cause)
