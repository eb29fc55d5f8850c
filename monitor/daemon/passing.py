"""What one process has seen, as octets for the one that holds the alarm book: looks at places, tiers of devices."""

import base64
import json
import zlib
from array import array
from dataclasses import asdict
from functools import lru_cache
from typing import Any

from monitor.alarms.silence import Sight
from monitor.facts.readings import Layout, Round, Slot, State

Seen = tuple[Sight, list[Round], dict[str, bool]]


def of_look(sight: Sight, rounds: list[Round], services: dict[str, bool]) -> bytes:
    """One look at a place."""
    document = {"sight": asdict(sight), "rounds": [_round(one) for one in rounds], "services": services}
    return _packed({"look": document})


def of_tier(device: str, tier: str, readings: Round, refused: bool) -> bytes:
    """One tier of one device; ``refused``: it is there and did not answer that."""
    return _packed({"tier": {"device": device, "tier": tier, "round": _round(readings), "refused": refused}})


def opened(body: bytes) -> dict[str, Any]:
    """What was packed: ``look`` → (sight, rounds, services), or ``tier`` → (device, tier, round, refused)."""
    document = json.loads(zlib.decompress(body))
    if "look" in document:
        look = document["look"]
        sight = look["sight"]
        for name in ("agent", "ping"):
            sight[name] = None if sight[name] is None else State(sight[name])
        sight["loads"] = {name: State(state) for name, state in sight["loads"].items()}
        return {"look": (Sight(**sight), [_read(one) for one in look["rounds"]], look["services"])}
    tier = document["tier"]
    return {"tier": (tier["device"], tier["tier"], _read(tier["round"]), tier["refused"])}


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
    layout = _layout(told["device"], told["tier"], tuple((r, q) for r, q in told["slots"]))
    values = array("d")
    values.frombytes(base64.b64decode(told["values"]))
    states = bytearray(base64.b64decode(told["states"]))
    return Round(layout, told["at_s"], values, states, {int(i): why for i, why in told["why"].items()})
