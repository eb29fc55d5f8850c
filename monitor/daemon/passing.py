"""What one process has seen, as octets for the one that holds the alarm book: looks at places, tiers of devices.

They lie in a table that others write, too: what is read is looked at field by field, and refused as a whole.
"""

import base64
import json
import math
import zlib
from array import array
from dataclasses import asdict
from functools import lru_cache
from typing import Any

from monitor.alarms.silence import Sight
from monitor.facts.readings import Layout, Round, Slot, State

Seen = tuple[Sight, list[Round], dict[str, bool]]

MOST_OCTETS = 8 << 20
"""What one may have when it is unpacked; a look at a place has some kilobytes."""
_LAST_S = 2**32
_STATES = frozenset(State)


class Unreadable(ValueError):
    """Octets that none of us has packed."""


def of_look(sight: Sight, rounds: list[Round], services: dict[str, bool]) -> bytes:
    """One look at a place."""
    document = {"sight": asdict(sight), "rounds": [_round(one) for one in rounds], "services": services}
    return _packed({"look": document})


def of_tier(device: str, tier: str, readings: Round, refused: bool) -> bytes:
    """One tier of one device; ``refused``: it is there and did not answer that."""
    return _packed({"tier": {"device": device, "tier": tier, "round": _round(readings), "refused": refused}})


def opened(body: bytes) -> dict[str, Any]:
    """What was packed: ``look`` → (sight, rounds, services), or ``tier`` → (device, tier, round, refused).

    Raises Unreadable.
    """
    try:
        unpacker = zlib.decompressobj()
        text = unpacker.decompress(body, MOST_OCTETS)
        if not unpacker.eof:
            raise Unreadable("it is cut, or too large")
        document = json.loads(text)
        if "look" in document:
            look = document["look"]
            rounds = [_read(one) for one in look["rounds"]]
            return {"look": (_sight(look["sight"]), rounds, _services(look["services"]))}
        tier = document["tier"]
        return {"tier": (_text(tier["device"]), _text(tier["tier"]), _read(tier["round"]), tier["refused"] is True)}
    except Unreadable:
        raise
    except (zlib.error, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise Unreadable(f"it cannot be read: {error!r:.200}") from None


def _sight(told: dict[str, Any]) -> Sight:
    agent, ping = (None if told[name] is None else State(told[name]) for name in ("agent", "ping"))
    loads = {_text(name): State(state) for name, state in told["loads"].items()}
    uplink_up, refused = (None if told[name] is None else bool(told[name]) for name in ("uplink_up", "refused"))
    return Sight(_text(told["place"]), _time(told["at_s"]), agent, refused is True, ping, loads, uplink_up)


def _services(told: dict[str, Any]) -> dict[str, bool]:
    if not all(isinstance(one, bool) for one in told.values()):
        raise Unreadable("a service answers or does not")
    return {_text(name): one for name, one in told.items()}


def _text(told: object) -> str:
    if not isinstance(told, str):
        raise Unreadable("a name should be text")
    return told


def _time(told: object) -> float:
    if not isinstance(told, int | float) or not 0 <= told < _LAST_S:
        raise Unreadable("a time should be seconds since 1970")
    return float(told)


def _packed(document: dict[str, Any]) -> bytes:
    return zlib.compress(json.dumps(document).encode(), 1)


def _round(one: Round) -> dict[str, Any]:
    return {
        "device": one.layout.device,
        "tier": one.layout.tier,
        "slots": [[slot.resource, slot.quantity] for slot in one.layout.slots],
        "at_s": one.at_s,
        "values": base64.b64encode(one.values.tobytes()).decode(),
        "states": base64.b64encode(bytes(one.states)).decode(),
        "why": one.why,
    }


@lru_cache(4096)
def _layout(device: str, tier: str, slots: tuple[tuple[str, str], ...]) -> Layout:
    """The same layout is the same object from round to round: memory goes on in its columns."""
    return Layout(device, tier, tuple(Slot(*slot) for slot in slots))


def _read(told: dict[str, Any]) -> Round:
    slots = tuple((_text(r), _text(q)) for r, q in told["slots"])
    layout = _layout(_text(told["device"]), _text(told["tier"]), slots)
    values = array("d")
    values.frombytes(base64.b64decode(told["values"], validate=True))
    states = bytearray(base64.b64decode(told["states"], validate=True))
    why = {int(i): _text(words) for i, words in told["why"].items()}
    if not len(values) == len(states) == len(slots) or not _STATES.issuperset(states):
        raise Unreadable("its columns do not fit its slots")
    if any(state == State.SEEN and math.isnan(value) for value, state in zip(values, states, strict=True)):
        raise Unreadable("a value that was seen is none")
    if not set(why) <= set(range(len(slots))):
        raise Unreadable("it says why of a slot that it does not have")
    return Round(layout, _time(told["at_s"]), values, states, why)
