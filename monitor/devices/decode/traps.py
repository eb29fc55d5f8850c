"""What a notification says: the generic ones of RFC 3418, those of PoE, LLDP, bridges and entities, and a datasheet's.

A notification is a hint and never state: whatever it says, the device is asked.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from monitor.devices.decode.raw import Oid, Raw, dotted, oid

_TRAPS = oid("1.3.6.1.6.3.1.1.5")
_IF_INDEX = oid("1.3.6.1.2.1.2.2.1.1")
_PSE_STATE = oid("1.3.6.1.2.1.105.1.1.1.6")
TRAP_OID = oid("1.3.6.1.6.3.1.1.4.1.0")


class Notice(Enum):
    """What of a notification decides whom to ask; its words are for people."""

    OTHER = "other"
    LINK_DOWN = "link down"
    DYING_GASP = "dying gasp"


_LINK_DOWN = (*_TRAPS, 3)
WORDS: dict[Oid, str] = {
    (*_TRAPS, 1): "cold start",
    (*_TRAPS, 2): "warm start",
    _LINK_DOWN: "link down",
    (*_TRAPS, 4): "link up",
    (*_TRAPS, 5): "authentication failure: somebody asks with a wrong community or user",
    oid("1.3.6.1.2.1.105.0.1"): "PoE port on or off",
    oid("1.3.6.1.2.1.105.0.2"): "PoE use above its threshold",
    oid("1.3.6.1.2.1.105.0.3"): "PoE use below its threshold again",
    oid("1.0.8802.1.1.2.0.0.1"): "neighbours changed",
    oid("1.3.6.1.2.1.17.0.1"): "new spanning-tree root",
    oid("1.3.6.1.2.1.17.0.2"): "spanning tree changed",
    oid("1.3.6.1.2.1.47.2.0.1"): "modules changed",
}
"""Notification → what it says; RFC 3418, 3621, 4188, 6933 and IEEE 802.1AB."""


@dataclass(frozen=True, slots=True)
class Hint:
    """What a notification says, and of which row of the port table, where it names one."""

    words: str
    if_index: int | None = None
    poe_port: int | None = None
    notice: Notice = Notice.OTHER


def hint(objects: Mapping[Oid, Raw], dying_gasp: frozenset[Oid] = frozenset()) -> Hint:
    """The meaning of a notification's objects. ``dying_gasp`` are the notifications by which this kind of device
    says that its power is going.

    >>> down = {TRAP_OID: _TRAPS + (3,), _IF_INDEX + (7,): 7}
    >>> hint(down)
    Hint(words='link down', if_index=7, poe_port=None, notice=<Notice.LINK_DOWN: 'link down'>)
    """
    name = objects.get(TRAP_OID)
    if not isinstance(name, tuple):
        return Hint("a notification without a name")
    notice = Notice.LINK_DOWN if name == _LINK_DOWN else Notice.OTHER
    words = WORDS.get(name) or f"notification {dotted(name)}"[:120]
    if name in dying_gasp:
        notice, words = Notice.DYING_GASP, "dying gasp"
    if_index = poe_port = None
    for key, raw in objects.items():
        if key[: len(_IF_INDEX)] == _IF_INDEX and isinstance(raw, int) and 0 < raw < 2**31:
            if_index = raw
        if key[: len(_PSE_STATE)] == _PSE_STATE and len(key) == len(_PSE_STATE) + 2:
            poe_port = key[-1]
    return Hint(words, if_index, poe_port, notice)
